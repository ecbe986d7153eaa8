"""Setting the watch: logged speed, journalled work, and the limit."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.calibration import flow_of
from analysis.events import Event, EventKind
from analysis.frames import HOUR_S
from analysis.watching import BOUND_SHARE, Watched, limit, watch_over
from config.settings import AlarmSettings
from tests.support import made_up_watch as made_up
from tests.support.simulated_rack import (
    DAY_H,
    HEALTHY_DAYS,
    METERS,
    Truth,
    commissioned,
    hours_of,
    plant_file,
    stepped,
)
from tests.support.simulated_stories import at_s, event, healthy_baseline, told

RACK = plant_file()
ALARMS = AlarmSettings()


def watched(*events: Event, truth: Truth | None = None, hours: int = (HEALTHY_DAYS + 1) * DAY_H) -> Watched:
    """The watch over the first hours of a healthy log, or of another."""
    frame = told("healthy").frame if truth is None else hours_of(RACK, days=hours // DAY_H, seed=5, truth=truth)
    frame = frame.until(hours)
    return watch_over(
        RACK.plant,
        alarms=ALARMS,
        baseline=healthy_baseline(),
        frame=frame,
        flow_m3s=flow_of(frame, RACK.plant.meters),
        events=events,
    )


def test_limit_is_a_share_of_the_bound() -> None:
    """Shiryaev-Roberts: raised at A, not more than one in A hours (Pollak 1985); 0.1 a branch-year is 21915 of 4 meters."""
    assert limit(AlarmSettings(false_alarms_per_branch_year=0.1), 4) == pytest.approx(np.log(BOUND_SHARE * 21915.0))


def test_the_bound_leaves_room_for_the_share() -> None:
    """Healthy months of known noise, raised at 100: fewer alarms by far than one in 100 hours, and than that share allows."""
    bound_h, hours = 100.0, 1000
    raised = 0
    for seed in range(900, 908):
        watch = made_up.new_watch(threshold=np.log(bound_h))
        for reading in made_up.healthy(hours, seed=seed):
            watch.take(reading, np.ones_like(reading))
        raised += len(watch.changes)

    assert raised <= 8 * (hours - made_up.HEALTHY_H) / (bound_h / BOUND_SHARE)


def test_limit_follows_the_accepted_rate() -> None:
    """Ten times as many accepted, or ten times as many meters at a tenth each: a ratio of ten in the odds."""
    seldom, often = (limit(AlarmSettings(false_alarms_per_branch_year=rate), 4) for rate in (0.1, 1.0))

    assert seldom - often == pytest.approx(np.log(10.0))
    assert limit(ALARMS, 40) == pytest.approx(limit(ALARMS, 4) - np.log(10.0))


def test_healthy_readings_lie_about_nought() -> None:
    """Log readings over what was commissioned: their median in the commissioning days is 0."""
    readings = watched().readings[: HEALTHY_DAYS * DAY_H]

    assert np.median(readings, axis=0) == pytest.approx(np.zeros(4), abs=1e-6)


def test_commissioning_days_are_not_judged() -> None:
    """Odds begin with the first hour after them."""
    odds = np.array(watched().watch.log_odds)

    assert (odds[: HEALTHY_DAYS * DAY_H] == -np.inf).all()
    assert np.isfinite(odds[HEALTHY_DAYS * DAY_H :]).all()


def test_a_logged_speed_is_taken_off() -> None:
    """At 92 % the return should lose the most; with it taken off, the readings lie where they lay."""
    hours = (HEALTHY_DAYS + 2) * DAY_H
    at = (HEALTHY_DAYS + 1) * DAY_H
    slowed = Truth(speed=stepped(hours, at, 0.92))
    found = watched(event(at, EventKind.PUMP_SPEED, "pump", "92"), truth=slowed, hours=hours)

    assert not found.shift[:at].any()
    assert (found.shift[at:] < 0).all()
    assert METERS[int(np.argmin(found.shift[-1]))] == "M1"
    assert np.mean(found.readings[at:], axis=0) == pytest.approx(np.zeros(4), abs=0.03)


def test_at_another_speed_the_plant_has_other_patterns() -> None:
    """At 85 % the return, which is lifted highest, follows speed and sump level more than at full speed.

    By the affinity laws the head falls with the square of the speed while the lift stays. Back at full speed the
    patterns are the old ones.
    """
    at = HEALTHY_DAYS * DAY_H + 4
    found = watched(event(at, EventKind.PUMP_SPEED, "pump", "85"), event(at + 8, EventKind.PUMP_SPEED, "pump", "100"))

    before, slow, back = found.watch.regimes
    top = METERS.index("M1")
    assert (before.from_h, slow.from_h, back.from_h) == (0, at, at + 8)
    assert (slow.model.common_signature[top, :2] > 1.1 * before.model.common_signature[top, :2]).all()
    assert np.array_equal(back.model.common_signature, before.model.common_signature)
    assert np.array_equal(slow.model.wander_sd, before.model.wander_sd)


def test_a_logged_speed_is_taken_at_its_word_in_part() -> None:
    """Along its own pattern, and meter by meter; it does not end what was wrong before."""
    at = HEALTHY_DAYS * DAY_H + 4
    found = watched(event(at, EventKind.PUMP_SPEED, "pump", "92"))

    touches = found.watch.touches
    assert [touch.anew for touch in touches] == [False] * (1 + len(METERS))
    moved = found.shift[at] - found.shift[at - 1]
    assert touches[0].pattern == pytest.approx(moved)
    assert np.array([touch.pattern for touch in touches[1:]]) == pytest.approx(np.diag(moved))


def test_the_speed_of_the_commissioning_days_shifts_nothing() -> None:
    """What was logged before they ended is in the baseline: nothing is taken off later hours."""
    found = watched(event(5, EventKind.PUMP_SPEED, "pump", "90"))

    assert not found.shift[HEALTHY_DAYS * DAY_H :].any()


def test_a_step_within_an_hour_is_no_change() -> None:
    """Some minutes at another speed, both entries in the journal: that hour is like neither speed, and is left out."""
    hours = (HEALTHY_DAYS + 1) * DAY_H
    at = HEALTHY_DAYS * DAY_H + 12
    speed = np.ones(hours)
    speed[at] = 0.9  # the hour's mean
    entries = (
        event(at + 0.1, EventKind.PUMP_SPEED, "pump", "70"), event(at + 0.4, EventKind.PUMP_SPEED, "pump", "100"),
    )  # fmt: skip

    found = watched(*entries, truth=Truth(speed=speed), hours=hours)

    assert np.isnan(found.readings[at]).all()
    assert found.watch.changes == []
    assert watched(truth=Truth(speed=speed), hours=hours).watch.changes != []


def test_a_speed_put_back_shifts_nothing() -> None:
    """At the commissioned speed again."""
    at = HEALTHY_DAYS * DAY_H
    found = watched(
        event(at + 2, EventKind.PUMP_SPEED, "pump", "80"), event(at + 6, EventKind.PUMP_SPEED, "pump", "100")
    )

    assert found.shift[at + 3].any()
    assert found.shift[at + 8] == pytest.approx(np.zeros(4), abs=1e-9)


@pytest.mark.parametrize(
    ("kind", "target", "value", "moved"),
    [
        (EventKind.MAINTENANCE, "carbon", "media_changed", [True, True, True, True]),
        (EventKind.MAINTENANCE, "uv", "valve_set", [True, True, True, True]),
        (EventKind.MAINTENANCE, "pump", "pump_cleaned", [True, True, True, True]),
        (EventKind.MAINTENANCE, "M2", "meter_cleaned", [False, True, False, False]),
        (EventKind.MAINTENANCE, "uv", "meter_cleaned", [False, True, False, False]),
        (EventKind.CALIBRATION, "M3", "24.5", [False, False, True, False]),
    ],
)
def test_work_may_move_what_it_touches(kind: EventKind, target: str, value: str, moved: list[bool]) -> None:
    """A branch or the pump moves all meters in its pattern, a meter only its own reading."""
    hour = (HEALTHY_DAYS * DAY_H) + 10

    (touch,) = watched(event(hour, kind, target, value)).watch.touches

    assert touch.hour == hour
    assert (np.abs(touch.pattern) > 0).tolist() == moved
    assert touch.sd > 0


def test_a_branchs_work_has_its_restrictions_pattern() -> None:
    """Its own meter to one side, all others to the other."""
    hour = (HEALTHY_DAYS * DAY_H) + 10

    (touch,) = watched(event(hour, EventKind.MAINTENANCE, "carbon", "media_changed")).watch.touches

    assert abs(touch.pattern[3]) == pytest.approx(1.0)
    assert (touch.pattern[:3] * touch.pattern[3] < 0).all()


def test_feed_pauses_touch_nothing() -> None:
    """A pause is over before the hour is."""
    assert watched(event(HEALTHY_DAYS * DAY_H + 10, EventKind.FEED_PAUSE, "pump", "10")).watch.touches == ()


def test_entries_outside_the_frame_touch_nothing() -> None:
    """Before its first hour or after its last."""
    outside = [event(hour, EventKind.MAINTENANCE, "uv", "valve_set") for hour in (-5, 5000)]

    assert watched(*outside).watch.touches == ()


def test_hours_and_times_agree() -> None:
    """An hour ends when the next begins."""
    found = watched()

    assert found.at_s(9) == at_s(10)
    assert found.at_s(0) - HOUR_S == found.frame.start_s


def test_too_short_hours_are_unknown() -> None:
    """An hour with less than ten minutes of flow is not judged."""
    short = told("healthy").frame.until(200)
    seconds = short.seconds.copy()
    seconds[190, 1] = 300.0
    short = replace(short, seconds=seconds)

    found = watch_over(
        RACK.plant,
        alarms=ALARMS,
        baseline=commissioned(RACK, short),
        frame=short,
        flow_m3s=flow_of(short, RACK.plant.meters),
        events=(),
    )

    assert np.isnan(found.readings[190]).tolist() == [False, True, False, False]


def test_a_large_calibration_is_no_fault() -> None:
    """A bucket test finds a K-factor 40 % off: the flows are corrected by it, and nothing has happened to the plant."""
    hours = (HEALTHY_DAYS + 3) * DAY_H
    calibrated = event((HEALTHY_DAYS + 1) * DAY_H, EventKind.CALIBRATION, "M4", "36")
    frame = told("healthy").frame.until(hours)

    found = watch_over(
        RACK.plant,
        alarms=ALARMS,
        baseline=healthy_baseline(),
        frame=frame,
        flow_m3s=flow_of(frame, RACK.plant.meters, (calibrated,)),
        events=(calibrated,),
    )

    assert found.watch.changes == []


def test_a_speed_before_the_commissioned_one_is_taken_off_too() -> None:
    """Healthy days may begin at another speed; the filter must not take that for a meter's own mean."""
    hours = (HEALTHY_DAYS + 1) * DAY_H
    truth = Truth(speed=np.where(np.arange(hours) < 50, 0.9, 1.0))
    slow, fast = (event(hour, EventKind.PUMP_SPEED, "pump", value) for hour, value in ((-10.0, "90"), (50.0, "100")))

    found = watched(slow, fast, truth=truth, hours=hours)

    assert abs(found.readings[:50].mean()) < 0.01
    assert (found.shift[50:] == 0).all()


def test_a_slip_of_the_pen_is_not_believed() -> None:
    """A K-factor a third of what it was makes the meter stand out: the keeper hears of it."""
    hours = (HEALTHY_DAYS + 3) * DAY_H
    slip = event((HEALTHY_DAYS + 1) * DAY_H, EventKind.CALIBRATION, "M4", "20")
    frame = told("healthy").frame.until(hours)

    found = watch_over(
        RACK.plant,
        alarms=ALARMS,
        baseline=healthy_baseline(),
        frame=frame,
        flow_m3s=flow_of(frame, RACK.plant.meters, (slip,)),
        events=(slip,),
    )

    (change,) = found.watch.changes
    assert found.signatures.faults[change.latest.top].name == "meter:M4"

"""How long media lasted on the simulated rack, against the days that they were made to last."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment import Assessment, MediaLife
from analysis.calibration import flow_of
from analysis.events import Event, EventKind
from analysis.forecast import _as_before, _Crossings, foretold, history_of
from analysis.frames import HOUR_S
from analysis.media_life import media_lives_of
from analysis.watching import watch_over
from config.settings import AlarmSettings
from tests.support.simulated_rack import DAY_H, START_S, Truth, assessed, hours_of, plant_file
from tests.support.simulated_stories import SEED, at_s, event, healthy_baseline, told

RACK = plant_file()
DAYS = 40
HOURS = DAYS * DAY_H
FIRST, SECOND = 400, 700
DAY_S = 86400.0


def fillings(*renewed_h: int) -> Truth:
    """The carbon's resistance grows straight on from each renewal, doubling in 300 hours, after a healthy first week."""
    hour = np.arange(HOURS)
    since = np.select([hour >= at for at in reversed(renewed_h)], [hour - at for at in reversed(renewed_h)], hour - 168)
    return Truth(resistance={"carbon": 1.0 + np.maximum(since, 0) / 300.0})


def renewal(hour: int) -> Event:
    """A journal entry of new carbon."""
    return event(hour, EventKind.MAINTENANCE, "carbon", "media_changed")


def assessment(*events: Event) -> Assessment:
    """Of carbon that was renewed twice, with these entries in the journal."""
    frame = hours_of(RACK, days=DAYS, seed=SEED, truth=fillings(FIRST, SECOND))
    return assessed(RACK, healthy_baseline(), frame, events=events)


@pytest.fixture(scope="module")
def journalled() -> Assessment:
    """Both renewals are in the journal."""
    return assessment(renewal(FIRST), renewal(SECOND))


def spans_h(lives: tuple[MediaLife, ...]) -> list[tuple[float, float | None]]:
    """From when to when, hours of the story."""
    return [
        ((life.from_s - START_S) / HOUR_S, None if life.to_s is None else (life.to_s - START_S) / HOUR_S)
        for life in lives
    ]


def test_lives_go_from_renewal_to_renewal(journalled: Assessment) -> None:
    """The first was there before the watch; the last goes on."""
    lives = journalled.media_lives

    assert spans_h(lives) == [(0, FIRST), (FIRST, SECOND), (SECOND, None)]
    assert [life.whole for life in lives] == [False, True, True]
    assert {life.run for life in lives} == {"carbon"}


def test_a_life_knows_what_it_cost(journalled: Assessment) -> None:
    """Twice the resistance in 300 hours: a root of two less flow where the branch's own loss is all, so 20 to 30 %."""
    second = journalled.media_lives[1]

    assert second.lost_percent == pytest.approx(25.0, abs=6.0)


def test_a_life_knows_how_long_it_was_of_use(journalled: Assessment) -> None:
    """Until the day's mean left the target: by the noiseless plant, to a day."""
    frame = hours_of(RACK, days=DAYS, seed=1, truth=fillings(FIRST), noise=0.0)
    target = next(run.target for run in RACK.plant.runs if run.name == "carbon")
    assert target is not None
    assert target.low_m3s is not None
    flow = flow_of(frame, RACK.plant.meters)[FIRST:, 3]
    day_mean = np.convolve(flow, np.full(DAY_H, 1.0 / DAY_H), mode="valid")
    true_h = int(np.flatnonzero(day_mean < target.low_m3s)[0]) + DAY_H

    second = journalled.media_lives[1]

    assert second.useful_s is not None
    assert second.useful_s == pytest.approx(true_h * HOUR_S, abs=1.5 * DAY_S)


def test_a_renewal_that_nobody_wrote_down_counts() -> None:
    """The flow came back by itself: seen within some hours of it, and told once, not twice, where it was written down."""
    seen = spans_h(assessment().media_lives)
    noted = spans_h(assessment(renewal(FIRST)).media_lives)

    assert [end for _, end in seen[:2]] == [pytest.approx(FIRST, abs=12), pytest.approx(SECOND, abs=12)]
    assert len(seen) == len(noted) == 3
    assert noted[0][1] == FIRST


def test_a_valve_put_back_is_no_renewal() -> None:
    """What came and went at once was no clog."""
    shut = np.ones(HOURS)
    shut[300:330] = 2.0
    frame = hours_of(RACK, days=DAYS, seed=SEED, truth=Truth(resistance={"carbon": shut}))

    lives = assessed(RACK, healthy_baseline(), frame).media_lives

    assert spans_h(lives) == [(0, None)]


def test_runs_without_media_have_no_lives(journalled: Assessment) -> None:
    """Nothing to renew."""
    assert {run.name for run in RACK.plant.runs if run.media} >= {life.run for life in journalled.media_lives}
    assert all(life.run == "carbon" for life in told("uv restricted").assessment.media_lives)


LIFE = MediaLife(run="carbon", from_s=0, to_s=int(30 * DAY_S), whole=True, lost_percent=20.0, useful_s=25 * DAY_S)
GOES_ON = replace(LIFE, from_s=int(30 * DAY_S), to_s=None, useful_s=None)
NOW_S = int(40 * DAY_S)
CROSSINGS = _Crossings(np.arange(24.0, 60 * 24.0, 24.0), np.ones(59))


def middle_days(*lives: MediaLife) -> float:
    """Mean day of crossing, from now, by the weights."""
    weighed = _as_before(CROSSINGS, NOW_S, lives)
    return float(np.average(weighed.hours_to_go, weights=weighed.weight) / DAY_H)


def test_the_past_draws_the_forecast_to_itself() -> None:
    """Ten days into a filling, readings that leave any of sixty days open, and one life of 25 days: 15 to go."""
    assert middle_days(LIFE, GOES_ON) == pytest.approx(15.0 * np.exp(0.09), rel=0.35)
    assert middle_days(LIFE, GOES_ON) < 0.75 * middle_days(GOES_ON)


def test_lives_that_nobody_saw_begin_or_end_draw_nothing() -> None:
    """The first filling may have been old; one that was never used up says no length; nor does one still to come."""
    for life in (replace(LIFE, whole=False), replace(LIFE, useful_s=None), replace(LIFE, to_s=int(50 * DAY_S))):
        assert middle_days(life, GOES_ON) == middle_days(GOES_ON)
    assert middle_days(LIFE, replace(GOES_ON, whole=False)) == middle_days(GOES_ON)


def test_more_lives_draw_harder() -> None:
    """Their mean is known better."""
    again = [replace(LIFE, from_s=int(at * DAY_S), to_s=int((at + 1) * DAY_S)) for at in range(9)]

    assert abs(middle_days(*again, GOES_ON) - 15.0) < abs(middle_days(LIFE, GOES_ON) - 15.0)


def test_forecasts_of_a_later_filling_are_nearer() -> None:
    """What one filling showed, the next one is foretold by: less off from the noiseless day, in a narrower interval."""
    first_h, second_h = 180, 570
    truth = fillings(first_h, second_h)
    frame = hours_of(RACK, days=DAYS, seed=SEED, truth=truth)
    watched = watch_over(
        RACK.plant,
        alarms=AlarmSettings(),
        baseline=healthy_baseline(),
        frame=frame,
        flow_m3s=flow_of(frame, RACK.plant.meters),
        events=(renewal(first_h), renewal(second_h)),
    )
    events = (renewal(first_h), renewal(second_h))
    changes = watched.watch.changes
    outlooks = [one for change in changes for one in history_of(watched, change)]
    plain = foretold(outlooks)
    lives = media_lives_of(watched, changes, events, plain)
    drawn = foretold(outlooks, lives)
    flow = flow_of(hours_of(RACK, days=DAYS, seed=1, truth=truth, noise=0.0), RACK.plant.meters)[second_h:, 3]
    target = next(run.target for run in RACK.plant.runs if run.name == "carbon")
    assert target is not None
    assert target.low_m3s is not None
    day_mean = np.convolve(flow, np.full(DAY_H, 1.0 / DAY_H), mode="valid")
    true_s = at_s(second_h + int(np.flatnonzero(day_mean < target.low_m3s)[0]) + DAY_H)

    alone, helped = ([one for one in made if one.made_at_s > at_s(second_h)] for made in (plain, drawn))

    assert len(alone) == len(helped) > 3
    errors = [np.median([abs(one.below_target_at_s - true_s) for one in made]) for made in (alone, helped)]
    widths = [np.median([one.high_s - one.low_s for one in made]) for made in (alone, helped)]
    assert errors[1] < errors[0]
    assert widths[1] < widths[0]
    assert [one for one in drawn if one.made_at_s < at_s(second_h)] == [
        one for one in plain if one.made_at_s < at_s(second_h)
    ]

"""The watch over made-up logs: each kind of change is raised, named, followed and seen to go, and nothing else is."""

import functools
from dataclasses import replace

import numpy as np
import pytest

from analysis.detection.change import SETTLE_H, Change
from analysis.detection.noise import NoiseModel
from analysis.detection.posterior import Hypotheses
from analysis.detection.regimes import Regime, Touch
from analysis.detection.watch import Watch
from analysis.frames import Floats, Ints
from tests.support.made_up_faults import UNITS
from tests.support.made_up_watch import HEALTHY_H, HYPOTHESES, MODEL, healthy, new_watch

HOURS = 500
AT = 300


def stepped(name: str, size: float, *, at_h: int = AT, until_h: int = HOURS, hours: int = HOURS) -> Floats:
    """[T, M] a fault that comes at once and goes at once."""
    hour = np.arange(hours)
    return ((hour >= at_h) & (hour < until_h))[:, None] * size * UNITS[name]


def ramped(name: str, size: float, *, at_h: int = AT, hours: int = HOURS) -> Floats:
    """[T, M] a fault that grows straight on to `size` in the last hour."""
    return (np.clip(np.arange(hours) - at_h + 1, 0, None) / (hours - at_h))[:, None] * size * UNITS[name]


def watched(readings: Floats, *touches: Touch) -> Watch:
    """The watch after all readings, whole hours each."""
    watch = new_watch(touches=touches)
    for reading in readings:
        watch.take(reading, np.where(np.isfinite(reading), 1.0, 0.0))
    return watch


def name_of(change: Change) -> str:
    """The leading fault by the latest verdict."""
    return HYPOTHESES.names[change.latest.top]


def the_change(watch: Watch) -> Change:
    """The one change that was raised."""
    assert len(watch.changes) == 1, [(name_of(change), change.raised_h) for change in watch.changes]
    return watch.changes[0]


def model_in(order: Ints) -> NoiseModel:
    """The noise model with its meters in another order."""
    return replace(
        MODEL,
        white_sd=MODEL.white_sd[order],
        wander_sd=MODEL.wander_sd[order],
        wander_tau_h=MODEL.wander_tau_h[order],
        common_signature=MODEL.common_signature[order],
    )


def hypotheses_in(order: Ints) -> Hypotheses:
    """The faults with their meters in another order."""
    return replace(HYPOTHESES, patterns=HYPOTHESES.patterns[:, order], spans=HYPOTHESES.spans[:, order])


@functools.cache
def clogged() -> Watch:
    """Branch a loses 12 % (log) at once and stays so."""
    return watched(healthy(HOURS) + stepped("branch a", 0.12))


@pytest.mark.parametrize("seed", [61, 62])
def test_healthy_months_raise_nothing(seed: int) -> None:
    """Two months of healthy readings a seed, three meters."""
    assert watched(healthy(1500, seed=seed)).changes == []


@pytest.mark.parametrize("name", UNITS)
def test_a_step_is_raised_within_hours_and_named(name: str) -> None:
    """12 % lost at once: every kind of fault, raised within 6 hours and named after a week."""
    change = the_change(watched(healthy(HOURS) + stepped(name, 0.12)))

    assert AT <= change.raised_h <= AT + 6
    assert name_of(change) == name
    assert change.latest.sudden


@pytest.mark.parametrize("name", ["branch a", "branch c", "supply"])
def test_a_ramp_is_raised_on_its_way_and_named(name: str) -> None:
    """20 % lost in eight days: raised before half of it is gone."""
    change = the_change(watched(healthy(HOURS) + ramped(name, 0.20)))

    assert AT < change.raised_h < AT + 100
    assert name_of(change) == name
    assert not change.latest.sudden


@pytest.mark.parametrize("size", [-0.06, 0.12])
def test_the_size_is_told(size: float) -> None:
    """Gains and losses, within 0.015, about two standard deviations of what the wander leaves open."""
    change = the_change(watched(healthy(HOURS) + stepped("branch b", size)))

    assert change.latest.expected == pytest.approx(size * UNITS["branch b"], abs=0.015)


def test_commissioning_hours_are_not_judged() -> None:
    """The keeper's word is that they were healthy: no odds, whatever they show."""
    watch = watched(healthy(HEALTHY_H, seed=52))

    assert watch.changes == []
    assert all(odds == -np.inf for odds in watch.log_odds)


@pytest.mark.parametrize("cut", [AT + 2, AT + 30, AT + 150])
def test_later_readings_change_nothing_that_was_said(cut: int) -> None:
    """A run cut short raises the same changes with the same verdicts, as far as it goes."""
    readings = healthy(HOURS) + stepped("branch a", 0.12) + stepped("branch c", 0.15, at_h=AT + 140)

    whole, part = watched(readings), watched(readings[:cut])

    assert part.log_odds == whole.log_odds[:cut]
    raised = [change for change in whole.changes if change.raised_h < cut]
    assert [change.raised_h for change in part.changes] == [change.raised_h for change in raised]
    for short, long in zip(part.changes, raised, strict=True):
        noted = [verdict for verdict in long.noted if verdict.hour < cut]
        assert [verdict.hour for verdict in short.noted] == [verdict.hour for verdict in noted]
        for one, other in zip(short.noted, noted, strict=True):
            assert np.array_equal(one.probability, other.probability)


def test_first_verdict_is_noted_when_it_is_raised() -> None:
    """The history of opinions begins with the hour that raised the change, and goes forward."""
    change = the_change(clogged())
    hours = [verdict.hour for verdict in change.noted]

    assert hours[0] == change.raised_h
    assert hours == sorted(set(hours))


@pytest.mark.parametrize("lasts_h", [40, SETTLE_H + 40])
def test_a_change_that_goes_is_cleared(lasts_h: int) -> None:
    """Within a day, fresh or long settled, and its end is not raised as a change of its own."""
    until = AT + lasts_h
    change = the_change(watched(healthy(HOURS) + stepped("branch a", 0.2, until_h=until)))

    assert change.cleared_h is not None
    assert until <= change.cleared_h <= until + 24


def test_a_change_that_stays_is_not_cleared() -> None:
    """It lasts to the end of the log."""
    assert the_change(clogged()).open


def test_what_comes_and_goes_is_one_story() -> None:
    """An air lock every nine hours: raised anew once or twice, and then it lasts until it has been quiet for long."""
    hours = 700
    hour = np.arange(hours)
    comes = (hour >= AT) & (hour < AT + 90) & ((hour - AT) % 9 < 3)

    watch = watched(healthy(hours) + 0.4 * comes[:, None] * UNITS["branch c"])

    assert 1 <= len(watch.changes) <= 3
    assert watch.changes[-1].cleared_h is not None
    assert watch.changes[-1].cleared_h > AT + 90


def test_what_comes_after_a_recovery_is_raised() -> None:
    """A second fault, days after the first has gone."""
    readings = healthy(HOURS) + stepped("branch a", 0.15, until_h=AT + 60) + stepped("branch c", 0.12, at_h=AT + 120)

    first, second = watched(readings).changes

    assert not first.open
    assert name_of(second) == "branch c"
    assert AT + 120 <= second.raised_h <= AT + 126


def test_a_second_fault_is_seen_beside_a_settled_one() -> None:
    """The first is taken off the readings, so that the second is named as if it were alone."""
    at_h = AT + SETTLE_H + 30
    readings = healthy(HOURS) + stepped("branch a", 0.12) + stepped("branch c", 0.15, at_h=at_h)

    first, second = watched(readings).changes

    assert (name_of(first), name_of(second)) == ("branch a", "branch c")
    assert at_h <= second.raised_h <= at_h + 6
    assert first.open
    assert second.open


def test_more_of_a_settled_fault_is_the_same_change() -> None:
    """A restricted branch that loses as much again is not raised twice."""
    at_h = AT + SETTLE_H + 30
    change = the_change(watched(healthy(HOURS) + stepped("branch a", 0.10) + stepped("branch a", 0.10, at_h=at_h)))

    assert change.open
    assert name_of(change) == "branch a"


def test_a_frozen_change_keeps_its_last_verdict() -> None:
    """Once a later change disturbs it, an earlier one is not judged anew."""
    at_h = AT + SETTLE_H + 30
    first, second = watched(healthy(HOURS) + stepped("branch a", 0.12) + stepped("branch c", 0.15, at_h=at_h)).changes

    assert first.frozen
    assert not second.frozen
    assert first.latest.hour <= second.raised_h


def test_work_in_the_journal_is_allowed_for() -> None:
    """A branch set anew by the keeper raises nothing, while the same without a word does."""
    readings = healthy(HOURS) + stepped("branch b", 0.10)
    touch = Touch(hour=AT, pattern=UNITS["branch b"], sd=0.3)

    assert watched(readings, touch).changes == []
    assert len(watched(readings).changes) == 1


def test_work_excuses_nothing_elsewhere() -> None:
    """A fault on another branch is raised in spite of it."""
    touch = Touch(hour=AT, pattern=UNITS["branch b"], sd=0.3)

    change = the_change(watched(healthy(HOURS) + stepped("branch a", 0.12, at_h=AT + 50), touch))

    assert name_of(change) == "branch a"


def test_another_speed_ends_no_fault() -> None:
    """A slow fault that began before a logged speed is raised with its onset before it, as without one."""
    readings = healthy(HOURS) + ramped("branch a", 0.10, at_h=AT - 40)
    touch = Touch(hour=AT, pattern=UNITS["supply"], sd=0.01, anew=False)

    change = the_change(watched(readings, touch))

    assert change.raised_h > AT
    assert change.latest.onset_low_h < AT
    assert name_of(change) == "branch a"


def test_another_speed_may_be_off_while_a_fault_lasts() -> None:
    """What a speed is allowed to move is allowed beside an open change, too: its verdict stays."""
    readings = healthy(HOURS) + stepped("branch a", 0.12) + stepped("supply", 0.05, at_h=AT + 30)
    touch = Touch(hour=AT + 30, pattern=UNITS["supply"], sd=0.05, anew=False)

    with_touch, without = watched(readings, touch), watched(readings)

    assert name_of(the_change(with_touch)) == "branch a"
    first = [
        change.latest.probability[HYPOTHESES.names.index("branch a")]
        for change in (with_touch.changes[0], without.changes[0])
    ]
    assert first[0] > first[1]


def test_a_sump_that_is_topped_up_raises_nothing() -> None:
    """A common part that sinks for two days and jumps back, as large as a fault of 6 %; told not to jump it is one."""
    jumpy = replace(MODEL, common_jump_sd=np.array([0.03]))
    saw = 0.04 * (0.5 - (np.arange(HOURS) / 48.0) % 1.0)
    readings = healthy(HOURS) + saw[:, None] * MODEL.common_signature[:, 0]

    def changes(model: NoiseModel) -> list[Change]:
        watch = new_watch(model=model)
        for reading in readings:
            watch.take(reading, np.ones(3))
        return watch.changes

    assert changes(jumpy) == []
    assert changes(MODEL) != []


def test_a_regime_has_its_own_faults_and_noise() -> None:
    """From its hour on; the same drop is another fault where the plant runs otherwise."""
    turned = replace(HYPOTHESES, patterns=np.roll(HYPOTHESES.patterns, 1, axis=1))
    noisy = replace(MODEL, white_sd=2.0 * MODEL.white_sd)
    regimes = (
        Regime(from_h=0, model=MODEL, hypotheses=HYPOTHESES),
        Regime(from_h=AT - 50, model=noisy, hypotheses=turned),
    )
    watch = new_watch(regimes=regimes)
    readings = healthy(HOURS) + np.roll(stepped("branch a", 0.12), 1, axis=1)
    for hour, reading in enumerate(readings):
        watch.take(reading, np.ones(3))
        assert (watch.front.model is noisy) == (watch.model is noisy) == (hour >= AT - 50)

    assert name_of(the_change(watch)) == "branch a"


def test_a_stray_hour_raises_nothing() -> None:
    """A single wild hour of a meter, to either side, is no change."""
    readings = healthy(HOURS)
    readings[AT, 1] -= 0.5
    readings[AT + 60, 0] += 0.3

    assert watched(readings).changes == []


def test_unread_hours_are_no_change() -> None:
    """Days without any reading, and a meter that falls silent for good."""
    readings = healthy(HOURS)
    readings[AT : AT + 60] = np.nan
    readings[AT + 100 :, 2] = np.nan

    assert watched(readings).changes == []


def test_a_fault_in_unread_hours_is_found_after_them() -> None:
    """It is dated to where it may have been, and named."""
    readings = healthy(HOURS) + stepped("branch a", 0.12)
    readings[AT - 20 : AT + 20] = np.nan

    change = the_change(watched(readings))

    assert AT + 20 <= change.raised_h <= AT + 26
    assert change.latest.onset_low_h <= AT + 20
    assert name_of(change) == "branch a"


def test_order_of_the_meters_does_not_matter() -> None:
    """Invariance: meters in another order, with the model and the faults, give the same changes."""
    order = np.array([2, 0, 1])
    readings = healthy(HOURS) + stepped("branch a", 0.12)
    shuffled = new_watch(model=model_in(order), hypotheses=hypotheses_in(order))
    for reading in readings:
        shuffled.take(reading[order], np.ones(3))

    plain, other = the_change(clogged()), the_change(shuffled)
    assert (other.raised_h, other.latest.top) == (plain.raised_h, plain.latest.top)
    assert other.latest.probability == pytest.approx(plain.latest.probability, abs=1e-6)


def test_departure_is_the_change() -> None:
    """The readings of the last day against the healthy past: the true change within three standard deviations."""
    watch = clogged()

    departure, cov = watch.departure(the_change(watch), watch.hour, 24)

    assert (np.abs(departure - 0.12 * UNITS["branch a"]) < 3 * np.sqrt(np.diag(cov))).all()


def test_an_unread_meter_has_no_departure() -> None:
    """It is nan, and the others are what they would be."""
    readings = healthy(HOURS) + stepped("branch a", 0.12)
    readings[-30:, 2] = np.nan
    watch = watched(readings)

    departure, _ = watch.departure(the_change(watch), watch.hour, 24)

    assert np.isnan(departure).tolist() == [False, False, True]


def test_a_change_after_a_recovery_is_seen_from_healthy_hours() -> None:
    """What grows anew is measured from the mended level, not by a filter that took the end of the first for its own."""
    hour = np.arange(900)
    first = np.where((hour >= 150) & (hour < 500), (hour - 150) / 350.0, 0.0)
    second = np.clip((hour - 500) / 300.0, 0.0, None)
    readings = healthy(900) + (0.45 * first + 0.2 * second)[:, None] * UNITS["branch a"]

    watch = new_watch(touches=(Touch(hour=500, pattern=UNITS["branch a"], sd=0.05),))
    for reading in readings:
        watch.take(reading, np.ones_like(reading))

    later = next(change for change in watch.changes if change.raised_h > 500)
    assert later.before_h >= 500
    assert later.before.mean[:3] == pytest.approx(np.zeros(3), abs=0.05)


def test_what_lay_beside_is_taken_off_as_long_as_it_lasted() -> None:
    """Two faults, the first mended: the readings of the second are without the first's part while it lasted, whole after."""
    hour = np.arange(760)
    readings = healthy(760)
    readings[(hour >= 200) & (hour < 600)] += 0.25 * UNITS["branch c"]
    readings[hour >= 450] += 0.2 * UNITS["branch a"]

    watch = new_watch()
    for reading in readings:
        watch.take(reading, np.ones_like(reading))

    first, second = watch.changes[:2]
    assert first.cleared_h is not None
    assert first.cleared_h >= 600
    left = watch._less_beside(second, 759)[:, 2]
    while_it_lasted, after = (
        left[part - second.before_h - 1].mean() for part in (np.arange(460, 600), np.arange(620, 760))
    )
    assert while_it_lasted == pytest.approx(after, abs=0.03)

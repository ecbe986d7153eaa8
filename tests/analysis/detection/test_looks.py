"""Looks at an hour that is not over: sudden changes are raised by them, strays are not, and nothing is taken in."""

import numpy as np
import pytest

from analysis.detection.bank import step
from analysis.detection.looks import Looks
from analysis.detection.posterior import log_sum, weigh
from analysis.detection.watch import Watch
from analysis.detection.whitener import predict, update
from analysis.frames import Floats
from tests.support.made_up_faults import UNITS
from tests.support.made_up_watch import HYPOTHESES, MODEL, THRESHOLD, healthy, new_watch

HOURS, AT = 320, 300
PARTS = 6


def parts_of(hours: Floats, seed: int = 7) -> Floats:
    """[T, PARTS, M] log readings of parts whose mean is the hour's, each with six times its white variance."""
    noise = np.random.default_rng(seed).normal(size=(len(hours), PARTS, hours.shape[1]))
    noise -= noise.mean(axis=1, keepdims=True)
    parts: Floats = hours[:, None] + noise * MODEL.white_sd * np.sqrt(PARTS)
    return parts


def looks_at(parts: Floats) -> Looks:
    """The looks at one hour [PARTS, M]: the mean of what is over, but for the last part."""
    number = np.arange(1, PARTS)[:, None]
    return Looks(
        reading=np.cumsum(parts[:-1], axis=0) / number,
        share=np.repeat(number / PARTS, parts.shape[1], axis=1),
        alone=parts[:-1],
        alone_share=np.full_like(parts[:-1], 1 / PARTS),
    )


def watched(parts: Floats, *, hours: int = HOURS) -> Watch:
    """The watch after some hours, each looked at first."""
    watch = new_watch()
    for hour in parts[:hours]:
        watch.take(hour.mean(axis=0), np.ones(3), looks_at(hour))
    return watch


@pytest.mark.parametrize("name", UNITS)
@pytest.mark.parametrize("first", [0, 2])
def test_a_sudden_loss_is_raised_within_the_hour(name: str, first: int) -> None:
    """30 % lost at the beginning of a part: raised by that part or the next, and named within the day."""
    parts = parts_of(healthy(HOURS))
    parts[AT, first:] += 0.36 * UNITS[name]
    parts[AT + 1 :] += 0.36 * UNITS[name]

    (change,) = watched(parts).changes

    assert change.raised_h == AT
    assert first < change.noted[0].part <= first + 2
    assert HYPOTHESES.names[change.latest.top] == name


def test_what_a_look_said_is_kept() -> None:
    """The first parts look like branch a, the whole hour like the supply: both were said, one after the other."""
    parts = parts_of(healthy(HOURS))
    parts[AT, 1:4] += 0.36 * UNITS["branch a"]
    parts[AT, 4:] += 1.5 * UNITS["supply"]
    parts[AT + 1 :] += 0.5 * UNITS["supply"]

    first, second = watched(parts).changes[0].noted[:2]

    assert (first.hour, second.hour) == (AT, AT)
    assert first.part > 0
    assert second.part == 0
    assert HYPOTHESES.names[first.top] == "branch a"


def test_one_wild_part_is_a_stray() -> None:
    """Ten minutes of nonsense on one meter raise nothing, however wild."""
    parts = parts_of(healthy(HOURS))
    parts[AT, 1, 0] -= 1.5

    assert watched(parts).changes == []


def test_looks_leave_no_trace() -> None:
    """The same odds with looks and without them, hour by hour."""
    parts = parts_of(healthy(HOURS))
    plain = new_watch()
    for hour in parts:
        plain.take(hour.mean(axis=0), np.ones(3))

    assert watched(parts).log_odds == plain.log_odds


@pytest.mark.parametrize("seed", [61, 62])
def test_healthy_hours_raise_nothing(seed: int) -> None:
    """Five looks an hour on eighteen healthy days, three meters."""
    assert watched(parts_of(healthy(600, seed=seed), seed), hours=600).changes == []


def test_a_look_now_is_what_the_hour_says_later() -> None:
    """Who looks while the hour runs raises the change that is raised when the hour is read from the database."""
    parts = parts_of(healthy(HOURS))
    parts[AT, 1:] += 0.36 * UNITS["branch a"]
    later = watched(parts, hours=AT + 1)

    now = watched(parts, hours=AT)
    now.look(looks_at(parts[AT]).upto(1))
    assert now.changes == []
    now.look(looks_at(parts[AT]).upto(3))

    (early,), (late,) = now.changes, later.changes
    assert (early.raised_h, early.noted[0].part) == (late.raised_h, late.noted[0].part)
    assert np.array_equal(early.noted[0].probability, late.noted[0].probability)


@pytest.mark.parametrize("size", [0.0, 0.02, 0.05, 0.1])
def test_no_look_that_is_passed_over_would_have_raised(size: float) -> None:
    """Weighing every look finds the same first one: the bound on what a surprise can bring is a bound."""
    parts = parts_of(healthy(HOURS))
    parts[AT, 1:] += size * UNITS["branch b"]
    watch = watched(parts, hours=AT)
    looks = looks_at(parts[AT])
    front = watch.front
    predicted = predict(MODEL, front.state)
    odds = []
    for number in range(len(looks)):
        goes_on = looks.goes_on(number, MODEL, predicted)
        _, innovation = update(MODEL, predicted, looks.reading[number], looks.share[number], goes_on)
        weights, _ = weigh(HYPOTHESES, step(front.bank, MODEL, AT, innovation, front.protect), AT)
        odds.append(log_sum(weights))

    verdict = front.peek(
        HYPOTHESES,
        AT,
        looks,
        watch.log_odds[-1],
        threshold=THRESHOLD,
        discounted=lambda _, weights, __: log_sum(weights),
    )

    reached = np.flatnonzero(np.array(odds) >= THRESHOLD)
    assert (verdict.part if verdict else 0) == (int(reached[0]) + 1 if len(reached) else 0)

"""A watch that goes on from a memory says what one says that walked every hour."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analysis.detection.change import Change
from analysis.detection.learning import first_guess
from analysis.detection.lessons import Lessons
from analysis.detection.memory import Memory, memory_of, recall
from analysis.detection.regimes import Touch
from analysis.detection.watch import Watch
from analysis.frames import Floats
from tests.support.made_up_faults import UNITS
from tests.support.made_up_watch import HYPOTHESES, MODEL, healthy
from tests.support.made_up_watch import new_watch as untouched_watch
from tests.support.noise_models import series_of

HOURS = 700
AT = 300


def new_watch(**different: Any) -> Watch:
    """A watch with work in its journal that has taken in nothing."""
    touches = (Touch(hour=250, pattern=UNITS["branch b"], sd=0.05),)
    return untouched_watch(**({"touches": touches} | different))


def readings_of() -> Floats:
    """A clogging at AT that is cleaned, and another branch's a good while later."""
    readings = healthy(HOURS)
    readings[AT : AT + 60] += 0.12 * UNITS["branch a"]
    readings[560:] += 0.15 * UNITS["branch c"]
    readings[400, 1] = np.nan
    return readings


READINGS = readings_of()
SHARES = np.ones_like(READINGS)


def walked(watch: Watch, upto: int, readings: Floats = READINGS) -> Watch:
    """The watch after the hours up to one."""
    for hour in range(watch.hour + 1, upto):
        watch.take(readings[hour], SHARES[hour])
    return watch


def said(changes: list[Change]) -> list[tuple[object, ...]]:
    """Everything that a change has told."""
    return [
        (
            change.raised_h,
            change.cleared_h,
            change.settled,
            [
                (verdict.hour, verdict.probability.tolist(), verdict.change.tolist(), verdict.onset_h, verdict.step)
                for verdict in (*change.noted, change.latest)
            ],
        )
        for change in changes
    ]


WHOLE = walked(new_watch(), HOURS)


@pytest.mark.parametrize("cut", [100, 200, AT + 10, AT + 80, 565, 690])
def test_a_restart_changes_nothing(cut: int) -> None:
    """Cut while all is well, while a change is open, and after it: the same changes, verdicts and odds to the bit."""
    memory = memory_of(walked(new_watch(), cut), READINGS, SHARES)

    again = new_watch()
    assert recall(again, [memory], READINGS, SHARES) is memory
    assert again.hour == cut - 1
    walked(again, HOURS)

    assert said(again.changes) == said(WHOLE.changes)
    assert again.log_odds[cut:] == WHOLE.log_odds[cut:]
    assert len(WHOLE.changes) == 2


@pytest.mark.parametrize("cut", [150, 250, 350, 690])
def test_what_was_learned_is_kept(cut: int) -> None:
    """Cut before the first lesson, between two and after: the same noise, changes and odds to the bit."""
    usual = first_guess(MODEL.common_signature, np.array([0.004]), np.zeros(1))
    lessons = Lessons(from_h=0, commissioned_h=96, usual=usual)
    whole = walked(new_watch(lessons=lessons), HOURS)
    again = new_watch(lessons=lessons)
    recall(again, [memory_of(walked(new_watch(lessons=lessons), cut), READINGS, SHARES)], READINGS, SHARES)

    walked(again, HOURS)

    assert again.lessons_taken == whole.lessons_taken >= 1
    assert again.model.wander_sd.tolist() == whole.model.wander_sd.tolist()
    assert said(again.changes) == said(whole.changes)
    assert again.log_odds[cut:] == whole.log_odds[cut:]


@pytest.mark.parametrize("cut", [300, 378])
def test_what_a_lasting_fault_explains_is_kept(cut: int) -> None:
    """Cut while it is young, and settled before a lesson beside it: the same noise and growth to the bit."""
    readings = healthy(HOURS)
    readings[240:] += np.linspace(0.1, 0.16, HOURS - 240)[:, None] * UNITS["branch a"]
    usual = first_guess(MODEL.common_signature, np.array([0.004]), np.zeros(1))
    lessons = Lessons(from_h=0, commissioned_h=96, usual=usual)
    whole = walked(new_watch(lessons=lessons), HOURS, readings)
    again = new_watch(lessons=lessons)
    recall(again, [memory_of(walked(new_watch(lessons=lessons), cut, readings), readings, SHARES)], readings, SHARES)

    walked(again, HOURS, readings)

    assert again.lessons_taken == whole.lessons_taken == 2
    assert whole.changes[0].open
    assert again.model.wander_sd.tolist() == whole.model.wander_sd.tolist()
    assert again.explained.keys() == whole.explained.keys()
    assert said(again.changes) == said(whole.changes)
    for ours, theirs in zip(again.changes[0].noted, whole.changes[0].noted, strict=True):
        assert ours.growth.weight.tolist() == theirs.growth.weight.tolist()
    assert again.log_odds[cut:] == whole.log_odds[cut:]


@pytest.mark.parametrize("suspected", [7.0, 9.0])
def test_a_look_after_a_restart_weighs_what_was_suspected(suspected: float) -> None:
    """The odds of the hour before count in the next one's looks: what they lack to the limit may be little."""
    whole = walked(new_watch(), 250)
    whole.log_odds[-1] = suspected
    again = new_watch()
    recall(again, [memory_of(whole, READINGS, SHARES)], READINGS, SHARES)

    assert again.log_odds[-1] == suspected


def test_hours_that_differ_make_a_memory_unfit() -> None:
    """A late line changed an old hour: the memory of before that hour serves, the one after it does not."""
    early, late = (memory_of(walked(new_watch(), cut), READINGS, SHARES) for cut in (200, 400))
    changed = READINGS.copy()
    changed[300, 0] += 0.001

    assert recall(new_watch(), [early, late], changed, SHARES) is early
    assert recall(new_watch(), [early, late], READINGS, SHARES) is late


@pytest.mark.parametrize(
    "different",
    [
        {"threshold": 9.0},
        {"judge_from_h": 100},
        {"touches": ()},
        {"touches": (Touch(hour=250, pattern=UNITS["branch b"], sd=0.05, anew=False),)},
        {"lessons": Lessons(from_h=0, commissioned_h=400, usual=MODEL)},
        {"model": replace(MODEL, white_sd=1.1 * MODEL.white_sd)},
        {"hypotheses": replace(HYPOTHESES, hazard=np.array([0.4, 0.15, 0.15, 0.15, 0.15]))},
    ],
    ids=lambda different: next(iter(different)),
)
def test_settings_that_differ_make_a_memory_unfit(different: dict[str, object]) -> None:
    """Another limit, commissioning, journal, noise or hazard: the hours are walked again."""
    memory = memory_of(walked(new_watch(), 300), READINGS, SHARES)

    assert recall(new_watch(**different), [memory], READINGS, SHARES) is None


def test_work_of_later_hours_leaves_a_memory_fit() -> None:
    """An entry made in the journal today says nothing of the hours before."""
    memory = memory_of(walked(new_watch(), 300), READINGS, SHARES)
    later = (*new_watch().touches, Touch(hour=310, pattern=UNITS["branch a"], sd=0.05))

    assert recall(new_watch(touches=later), [memory], READINGS, SHARES) is memory


def test_a_memory_of_hours_to_come_is_not_used() -> None:
    """An assessment as of an earlier time uses nothing from after it."""
    memory = memory_of(walked(new_watch(), 300), READINGS, SHARES)

    assert recall(new_watch(), [memory], READINGS[:200], SHARES[:200]) is None


def test_a_year_of_memory_stays_small() -> None:
    """What is kept does not grow with the hours, only with what was found."""
    half, whole = (len(_long(hours).body) for hours in (2400, 3400))

    assert whole < 1.03 * half


def _long(hours: int) -> Memory:
    readings = series_of(MODEL, hours, np.random.default_rng(61))
    shares = np.ones_like(readings)
    watch = new_watch(threshold=1e9)
    for reading, share in zip(readings, shares, strict=True):
        watch.take(reading, share)
    return memory_of(watch, readings, shares)

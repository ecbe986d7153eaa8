"""Lessons: noise learned anew from healthy weeks, against the noise that was put in."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.detection.learning import first_guess
from analysis.detection.lessons import MOST_H, Lessons, learn_again
from analysis.detection.noise import NoiseModel
from analysis.detection.regimes import Regime, Touch, regime_at
from analysis.detection.watch import Watch
from analysis.frames import Floats
from tests.support.made_up_faults import UNITS
from tests.support.made_up_watch import HYPOTHESES, MODEL, new_watch
from tests.support.noise_models import series_of

USUAL = first_guess(MODEL.common_signature, np.array([0.004]), np.zeros(1))
COMMISSIONED_H = 96
LESSONS = Lessons(from_h=0, commissioned_h=COMMISSIONED_H, usual=USUAL)
RESTLESS = replace(
    MODEL, wander_sd=3.0 * MODEL.wander_sd, white_sd=2.0 * MODEL.white_sd, wander_tau_h=2.0 * MODEL.wander_tau_h
)
HOURS = 800


def learned_from(
    readings: Floats, *touches: Touch, known: NoiseModel = USUAL, lessons: Lessons = LESSONS
) -> NoiseModel:
    """What a lesson makes of readings, all hours seen whole."""
    regime = Regime(from_h=0, model=MODEL, hypotheses=HYPOTHESES)
    shares = np.where(np.isfinite(readings), 1.0, 0.0)
    return learn_again(lessons, known=known, readings=readings, shares=shares, regimes=(regime,), touches=touches)


def restless(hours: int = HOURS, *, seed: int = 60) -> Floats:
    """[T, M] healthy readings that wander three times as far as the watch was told."""
    return series_of(RESTLESS, hours, np.random.default_rng(seed), offset_sd=0.003)


def walked(readings: Floats, **different: object) -> Watch:
    """A watch after all readings that was commissioned on few days."""
    watch = new_watch(judge_from_h=COMMISSIONED_H, **different)
    for reading in readings:
        watch.take(reading, np.ones_like(reading))
    return watch


def test_lessons_come_when_the_hours_have_doubled() -> None:
    """After 2, 4 and 8 times the commissioning, and no more once eight weeks are known."""
    due = [hours for hours in range(1, 3000) for taken in [sum(hours > 96 * 2**k for k in range(1, 9))]
           if LESSONS.due(hours, taken)]  # fmt: skip

    assert due == [192, 384, 768]
    assert all(hours <= MOST_H for hours in due)


def test_a_lesson_counts_from_the_commissioning() -> None:
    """Hours of the record before it are not among the healthy ones."""
    later = replace(LESSONS, from_h=1000)

    assert not later.due(1191, 0)
    assert later.due(1192, 0)


def test_a_lesson_finds_the_true_noise() -> None:
    """From 800 hours, every wander within a third; the usual noise has half of it.

    The white noise is a third of what the wander brings within an hour here: it is told no better than that.
    """
    found = learned_from(restless())

    assert found.wander_sd == pytest.approx(RESTLESS.wander_sd, rel=0.33)
    assert (found.white_sd < 1.5 * RESTLESS.white_sd).all()


def test_journalled_work_is_not_taken_for_noise() -> None:
    """A branch that the keeper set anew by 30 % teaches nothing of its wander; without a word it would."""
    readings = restless() + (np.arange(HOURS) >= 400)[:, None] * 0.3 * UNITS["branch b"]
    touch = Touch(hour=400, pattern=UNITS["branch b"], sd=0.3)

    told, untold = learned_from(readings, touch), learned_from(readings)

    assert told.wander_sd == pytest.approx(learned_from(restless()).wander_sd, rel=0.1)
    assert untold.wander_sd[1] > 1.3 * told.wander_sd[1]


def test_stray_hours_are_left_out() -> None:
    """Wild hours of a meter, one in fifty, do not make its wander or noise much larger."""
    readings = restless()
    readings[25::50, 0] -= 0.5

    found = learned_from(readings, known=RESTLESS)

    assert found.white_sd[0] < 1.5 * RESTLESS.white_sd[0]
    assert found.wander_sd[0] == pytest.approx(RESTLESS.wander_sd[0], rel=0.3)


def test_a_restless_plant_is_learned_and_then_left_in_peace() -> None:
    """Told too calm a noise, a watch raises what is none; with lessons it does not once it has learned."""
    known = replace(MODEL, wander_sd=1.6 * MODEL.wander_sd)
    readings = np.stack([restless(seed=seed) for seed in (60, 61, 62)])

    without = [change.raised_h for one in readings for change in walked(one, model=known).changes]
    taught = [walked(one, model=known, lessons=LESSONS) for one in readings]
    with_lessons = [change.raised_h for watch in taught for change in watch.changes]

    assert sum(hour > 2 * COMMISSIONED_H for hour in without) > 3 * sum(
        hour > 2 * COMMISSIONED_H for hour in with_lessons
    )
    assert all(watch.lessons_taken >= 1 for watch in taught)


def test_a_fault_is_found_after_lessons() -> None:
    """And named; while it lasts the readings less what it explains go on teaching, once it has settled."""
    readings = restless() + (np.arange(HOURS) >= 500)[:, None] * 0.3 * UNITS["branch a"]

    watch = walked(readings, model=RESTLESS, lessons=LESSONS)

    (change,) = watch.changes
    assert 500 <= change.raised_h <= 503
    assert watch.hypotheses.names[change.latest.top] == "branch a"
    assert watch.lessons_taken == 3
    assert change.open
    assert change.latest.size[change.latest.top] == pytest.approx(-0.3, abs=0.1)
    assert watch.model.wander_sd == pytest.approx(RESTLESS.wander_sd, rel=0.35)


def test_a_lesson_forgets_no_onset() -> None:
    """A sudden loss that lasts is still sudden, dated to the hour and named after what was learned beside it."""
    onset = 205
    loss = (np.arange(HOURS) >= onset)[:, None] * 0.12 * UNITS["branch a"]

    watch = walked(series_of(MODEL, HOURS, np.random.default_rng(60)) + loss, lessons=LESSONS)

    (change,) = watch.changes
    assert watch.lessons_taken == 3
    assert watch.hypotheses.names[change.latest.top] == "branch a"
    assert change.latest.probability[change.latest.top] > 0.9
    assert abs(change.latest.likeliest_onset_h - onset) <= 1
    assert change.latest.sudden


def test_work_in_the_hour_that_raises_counts_after_a_lesson() -> None:
    """Media are changed and pack otherwise: a lesson weeks later weighs the change as it was weighed before."""
    loss = (np.arange(HOURS) >= 250)[:, None] * 0.4 * UNITS["branch a"]
    work = Touch(hour=250, pattern=UNITS["branch a"], sd=0.05)

    watch = new_watch(judge_from_h=COMMISSIONED_H, lessons=LESSONS, touches=(work,))
    odds = []
    for reading in series_of(MODEL, HOURS, np.random.default_rng(61)) + loss:
        watch.take(reading, np.ones_like(reading))
        odds.append(watch.changes[0].latest.log_odds if watch.changes else 0.0)

    before = odds[300]
    assert watch.lessons_taken == 3
    assert watch.changes[0].raised_h == work.hour
    assert odds[-1] == pytest.approx(before, rel=0.5)


def test_a_fault_that_grows_is_not_taken_for_wander() -> None:
    """A loss that grows by a tenth in two weeks beside a lesson: what was learned is that of the same plant without it."""
    grown = np.clip((np.arange(HOURS) - 400) / 336.0, 0.0, 1.0)[:, None] * 0.2 * UNITS["branch a"]

    sick, sound = (walked(restless() + change, model=RESTLESS, lessons=LESSONS) for change in (grown, 0.0 * grown))

    assert sick.changes[0].open
    assert sick.lessons_taken == sound.lessons_taken == 3
    assert sick.model.wander_sd == pytest.approx(sound.model.wander_sd, rel=0.35)


def test_what_was_no_fault_goes_with_what_was_learned() -> None:
    """Told too calm a noise, watches over healthy plants raise what is none; after the lessons less of it is left."""
    known = replace(MODEL, wander_sd=1.3 * MODEL.wander_sd)
    watches = [
        (walked(readings, model=known), walked(readings, model=known, lessons=LESSONS))
        for readings in (restless(seed=seed) for seed in (72, 73))
    ]

    still, left = (sum(change.open for pair in watches for change in pair[which].changes) for which in (0, 1))
    assert still >= 1
    assert left < still / 2


def test_what_was_wrong_teaches_nothing() -> None:
    """Days of a fault that was mended are left out of the lesson that follows."""
    hour = np.arange(HOURS)
    sick = ((hour >= 420) & (hour < 500))[:, None] * 0.4 * UNITS["branch a"]

    watch = walked(restless() + sick, model=RESTLESS, lessons=LESSONS)

    assert [change.cleared_h is not None for change in watch.changes] == [True]
    assert watch.lessons_taken == 3
    assert watch.model.wander_sd == pytest.approx(RESTLESS.wander_sd, rel=0.35)


def test_the_regime_of_an_hour_is_the_latest_that_has_begun() -> None:
    """The first one serves before its own hour, too."""
    regimes = [Regime(from_h=hour, model=MODEL, hypotheses=HYPOTHESES) for hour in (0, 50, 70)]

    found = [regimes.index(regime_at(regimes, hour)) for hour in (-1, 0, 49, 50, 69, 70, 1000)]

    assert found == [0, 0, 0, 1, 1, 2, 2]

"""A wander longer than learned beside a fault, against dense Gaussian densities and made-up noise."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from analysis.detection.learning import RESTLESS_SD, WANDER_SD, WANDER_TAU_H, WHITE_SD, first_guess, log_prior
from analysis.detection.lessons import Lessons
from analysis.detection.longer import (
    ASKED_FROM_H,
    ASKED_H,
    LONGER,
    Comparison,
    Hour,
    Longer,
    asked_from,
    discounted,
)
from analysis.detection.noise import NoiseModel
from analysis.detection.posterior import log_sum
from analysis.detection.watch import Watch
from analysis.frames import Floats
from tests.support.made_up_faults import UNITS
from tests.support.made_up_watch import HEALTHY_H, HYPOTHESES, MODEL, new_watch
from tests.support.noise_models import dense_covariance, model_of, series_of

USUAL = first_guess(MODEL.common_signature, np.array([0.004]), np.zeros(1))
LESSONS = Lessons(from_h=0, commissioned_h=10**4, usual=USUAL)  # never due
LONG_H = 1200


def longer(model: NoiseModel, meter: int, by: float) -> NoiseModel:
    """The wander of one meter so many times as long, with the same hourly movement."""
    there = np.where(np.arange(model.meters) == meter, by, 1.0)
    return replace(model, wander_sd=model.wander_sd * np.sqrt(there), wander_tau_h=model.wander_tau_h * there)


def asked(model: NoiseModel, readings: Floats) -> Comparison:
    """A comparison after all readings, whole hours each."""
    comparison = Comparison(
        learned=model, usual=first_guess(model.common_signature, np.array([0.004]), np.zeros(1)), from_h=0
    )
    for reading in readings:
        comparison.take(Hour(model=model, touches=(), reading=reading, share=np.ones(model.meters)))
    return comparison


def walked(readings: Floats, lessons: Lessons | None) -> Watch:
    """A watch after all readings."""
    watch = new_watch(lessons=lessons)
    for reading in readings:
        watch.take(reading, np.ones_like(reading))
    return watch


@pytest.mark.parametrize("missing", [False, True])
def test_ratios_are_those_of_the_dense_gaussian(missing: bool) -> None:  # noqa: FBT001 - a case
    """Scipy's multivariate normal of all hours by either noise, each wander longer in turn."""
    model, hours = model_of(2, commons=1), 12
    readings = series_of(model, hours, np.random.default_rng(71))
    if missing:
        readings[4, 1] = np.nan
        readings[7] = np.nan
    seen = np.isfinite(readings).ravel()

    def density(one: NoiseModel) -> float:
        dense = multivariate_normal(cov=dense_covariance(one, hours)[np.ix_(seen, seen)])
        return float(dense.logpdf(readings.ravel()[seen]))

    slower_common = [
        replace(model, common_sd=model.common_sd * np.exp(0.5 * step), common_tau_h=model.common_tau_h * np.exp(step))
        for step in LONGER
    ]
    others = [*(longer(model, meter, np.exp(step)) for meter in (0, 1) for step in LONGER), *slower_common]

    assert asked(model, readings).ratio == pytest.approx(
        [density(other) - density(model) for other in others], abs=1e-6
    )


def test_the_prior_counts() -> None:
    """A longer wander is as unlikely as scipy's normal density of its logs says, one factor common to all of them."""
    single = first_guess(np.ones((1, 0)), np.zeros(0), np.zeros(0))
    long = longer(single, 0, float(np.exp(2.0)))
    parts = (WHITE_SD, WANDER_SD, WANDER_TAU_H)
    restless = RESTLESS_SD * np.array([part.share for part in parts])
    logs = multivariate_normal(cov=np.diag([part.own_sd**2 for part in parts]) + np.outer(restless, restless))

    found = log_prior((single, long), single)

    assert found[1] - found[0] == pytest.approx(logs.logpdf([0.0, 1.0, 2.0]) - logs.logpdf([0.0, 0.0, 0.0]))


def test_a_long_wander_is_found_out() -> None:
    """1200 hours of a wander of 60 h that was learned as of 10 h: its own odds rise far above all others'."""
    truth = longer(MODEL, 1, 60.0 / float(MODEL.wander_tau_h[1]))
    found = asked(MODEL, series_of(truth, LONG_H, np.random.default_rng(72))).odds(MODEL.common_signature)

    assert found.own[1] > 10.0
    assert np.delete(found.own, 1).max() < 2.0
    assert found.common.max() < 2.0


def test_excursions_of_a_long_wander_raise_less() -> None:
    """Six plants that wander six times as long as was learned: what else raises is mostly held back."""
    truth = replace(MODEL, wander_sd=np.sqrt(6.0) * MODEL.wander_sd, wander_tau_h=6.0 * MODEL.wander_tau_h)
    raised = []
    for seed in range(80, 86):
        readings = series_of(truth, LONG_H, np.random.default_rng(seed), offset_sd=0.003)
        raised.append([len(walked(readings, lessons).changes) for lessons in (None, LESSONS)])
    plain, weighing = np.sum(raised, axis=0).tolist()

    assert plain >= 10
    assert weighing <= plain // 4


def test_a_fault_that_comes_at_once_loses_nothing() -> None:
    """A branch that loses 12 % is raised in its first hour or the next, longer wanders weighed or not."""
    at = 300
    readings = series_of(MODEL, at + 24, np.random.default_rng(73), offset_sd=0.003)
    readings[at:] += 0.12 * UNITS["branch a"]

    plain, weighing = (walked(readings, lessons).changes[0].raised_h for lessons in (None, LESSONS))

    assert plain == weighing == at


def test_a_longer_wander_spares_what_does_not_rest_on_it() -> None:
    """A change of one meter's readings counts less where its own wander is longer, and nothing by another's."""
    readings = series_of(MODEL, 260, np.random.default_rng(74), offset_sd=0.003)
    readings[220:, 2] -= 0.05
    watch = walked(readings, None)
    change = watch.changes[0]
    track = change.track
    odds, weights, lie = track.weigh(HYPOTHESES, watch.hour)

    def left(meter: int) -> float:
        own = np.where(np.arange(3) == meter, 8.0, -8.0)
        longer_own = Longer(own=own, common=np.array([-8.0]), common_signature=MODEL.common_signature)
        return discounted(longer_own, HYPOTHESES, track.bank, weights, lie)

    assert odds == pytest.approx(log_sum(weights))
    assert left(2) == pytest.approx(odds - 8.0, abs=1.5)
    assert left(0) == pytest.approx(odds, abs=0.5)


def test_what_is_asked_hangs_on_the_hour_alone() -> None:
    """The first hour asked stays for days and then moves on, and is never before what counts."""
    first = [asked_from(hour, HEALTHY_H) for hour in range(5000)]

    assert set(np.diff(first)) <= {0, ASKED_FROM_H, ASKED_FROM_H - HEALTHY_H % ASKED_FROM_H}
    assert min(first) == HEALTHY_H
    assert max(hour - begin for hour, begin in enumerate(first)) < ASKED_H + ASKED_FROM_H

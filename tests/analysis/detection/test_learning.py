"""The noise of a plant, learned from simulated days of known noise."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from analysis.detection.learning import _log_likelihood, first_guess, learn_noise
from analysis.detection.noise import NoiseModel
from analysis.frames import Floats
from tests.support.noise_models import dense_covariance, model_of, series_of

GUESS = first_guess(np.array([[1.8], [0.6]]), np.array([0.002]))
LONG_H = 1000


def parameters(model: NoiseModel) -> Floats:
    """[D] in the order of learning."""
    return np.concatenate([model.white_sd, model.wander_sd, model.wander_tau_h, model.common_sd, model.common_tau_h])


def learned(truth: NoiseModel, hours: int, *, seed: int) -> NoiseModel:
    """What is learned of so many hours, judged by GUESS's prior."""
    readings = series_of(truth, hours, np.random.default_rng(seed), offset_sd=0.01)
    return learn_noise(readings, np.ones_like(readings), GUESS)


@pytest.mark.parametrize("missing", [False, True])
def test_likelihood_is_that_of_the_dense_gaussian(missing: bool) -> None:  # noqa: FBT001 - a case
    """Scipy's multivariate normal, as a difference between two models: constants of the density are left out."""
    one, other = model_of(2, commons=1), model_of(2, commons=1, wander_sd=0.02, white_sd=0.004)
    readings = series_of(one, 10, np.random.default_rng(41), offset_sd=0.1)
    if missing:
        readings[3, 0] = np.nan
        readings[5] = np.nan
    seen = np.isfinite(readings).ravel()
    dense = [
        float(multivariate_normal(cov=dense_covariance(model, 10)[np.ix_(seen, seen)]).logpdf(readings.ravel()[seen]))
        for model in (one, other)
    ]

    both = np.array([parameters(one), parameters(other)])
    found = _log_likelihood(both, readings, np.ones_like(readings), one)

    assert found[0] - found[1] == pytest.approx(dense[0] - dense[1], rel=1e-6)


def test_long_series_give_the_true_noise() -> None:
    """1000 hours of noise that is not the prior's: every spread within a quarter, time constants within a half.

    The spread of an AR(1) of time constant tau is known from T hours to about sqrt(tau / T), 13 % at 24 h.
    """
    truth = replace(
        GUESS,
        white_sd=np.array([0.002, 0.0005]),
        wander_sd=np.array([0.016, 0.007]),
        wander_tau_h=np.array([12.0, 24.0]),
    )

    found = learned(truth, LONG_H, seed=42)

    assert found.wander_sd == pytest.approx(truth.wander_sd, rel=0.25)
    assert found.wander_tau_h == pytest.approx(truth.wander_tau_h, rel=0.5)
    assert found.white_sd == pytest.approx(truth.white_sd, rel=0.25)


def test_short_series_keep_to_the_prior() -> None:
    """Half a day says little of what wanders for longer: that stays near the prior's middle, in every sample."""
    found = [learned(GUESS, 12, seed=seed) for seed in range(43, 49)]

    for one in found:
        assert np.abs(np.log(one.wander_tau_h / GUESS.wander_tau_h)).max() < 0.6
        assert np.abs(np.log(one.common_tau_h / GUESS.common_tau_h)).max() < 0.5
        assert np.abs(np.log(one.wander_sd / GUESS.wander_sd)).max() < 0.6


def test_more_hours_say_more() -> None:
    """The true noise comes nearer with time, away from the prior's middle."""
    truth = replace(GUESS, wander_sd=2.0 * GUESS.wander_sd)
    short, long = (np.abs(np.log(learned(truth, hours, seed=44).wander_sd / truth.wander_sd)).mean()
                   for hours in (48, 600))  # fmt: skip

    assert long < short


def test_signatures_are_not_learned() -> None:
    """What the hydraulics say of the common parts is kept."""
    found = learned(GUESS, 72, seed=45)

    assert np.array_equal(found.common_signature, GUESS.common_signature)


def test_hours_without_readings_are_passed_over() -> None:
    """Unread hours, or a meter that was not read for days, leave a finite result."""
    readings = series_of(GUESS, 120, np.random.default_rng(46))
    readings[20:30] = np.nan
    readings[60:, 1] = np.nan

    found = learn_noise(readings, np.where(np.isfinite(readings), 1.0, 0.0), GUESS)

    assert np.isfinite(parameters(found)).all()
    assert (parameters(found) > 0).all()

"""The noise of a plant, learned from simulated days of known noise."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from analysis.detection.learning import (
    CAUTION_SDS,
    COMMON_TAU_H,
    RESTLESS_SD,
    WANDER_SD,
    WANDER_TAU_H,
    Healthy,
    _log_likelihood,
    first_guess,
    learn_more,
    learn_noise,
)
from analysis.detection.noise import NoiseModel
from analysis.frames import Floats
from tests.support.noise_models import dense_covariance, model_of, series_of

GUESS = first_guess(np.array([[1.8], [0.6]]), np.array([0.002]), np.zeros(1))
LONG_H = 1000


def parameters(model: NoiseModel) -> Floats:
    """[D] in the order of learning."""
    return np.concatenate([model.white_sd, model.wander_sd, model.wander_tau_h, model.common_sd, model.common_tau_h])


def healthy(readings: Floats, model: NoiseModel, **different: object) -> Healthy:
    """All hours seen whole, and nothing that moved."""
    signature = np.broadcast_to(model.common_signature, (len(readings), *model.common_signature.shape))
    usual: dict[str, object] = {"share": np.ones_like(readings), "signature": signature, "moved": {}}
    return Healthy(readings=readings, **(usual | different))  # type: ignore[arg-type] # by name


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
    found = _log_likelihood(both, healthy(readings, one), one)

    assert found[0] - found[1] == pytest.approx(dense[0] - dense[1], rel=1e-6)


def test_long_series_give_the_true_noise() -> None:
    """1000 hours of noise that is not the prior's: every spread within a quarter, time constants within a half or two.

    The spread of an AR(1) of time constant tau is known from T hours to about sqrt(tau / T), 13 % at 24 h, and its time
    constant to twice that; what is learned lies on the restless side by about as much.
    """
    truth = replace(
        GUESS,
        white_sd=np.array([0.002, 0.0005]),
        wander_sd=np.array([0.016, 0.007]),
        wander_tau_h=np.array([12.0, 24.0]),
    )

    found = learned(truth, LONG_H, seed=42)

    assert found.wander_sd == pytest.approx(truth.wander_sd, rel=0.25)
    assert (found.wander_tau_h > 0.7 * truth.wander_tau_h).all()
    assert (found.wander_tau_h < 2.0 * truth.wander_tau_h).all()
    assert found.white_sd == pytest.approx(truth.white_sd, rel=0.25)


def test_short_series_keep_to_the_prior() -> None:
    """Half a day says little of what wanders for longer: that stays the prior's, on its restless side, in every sample."""
    found = [learned(GUESS, 12, seed=seed) for seed in range(43, 49)]

    for one in found:
        for part, usual in (("wander_tau_h", WANDER_TAU_H), ("common_tau_h", COMMON_TAU_H), ("wander_sd", WANDER_SD)):
            sd = np.hypot(usual.own_sd, RESTLESS_SD * usual.share)
            above = np.log(getattr(one, part) / getattr(GUESS, part)) / sd
            assert (np.abs(above - 0.8 * CAUTION_SDS) < 1.2).all(), (part, above)


def test_restless_meters_speak_for_the_others() -> None:
    """Three days of five meters that wander twice as far as usual: a sixth, not read at all, is thought restless too.

    Of meters that wander as usual it is not.
    """
    guess = first_guess(np.zeros((6, 0)), np.zeros(0), np.zeros(0))
    found = []
    for factor in (1.0, 2.0):
        truth = replace(guess, wander_sd=factor * guess.wander_sd)
        readings = series_of(truth, 72, np.random.default_rng(50), offset_sd=0.01)
        readings[:, 5] = np.nan
        found.append(learn_noise(readings, np.ones_like(readings), guess).wander_sd[5])

    assert found[1] > 1.3 * found[0]


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


def test_likelihood_allows_for_what_moved() -> None:
    """Scipy's multivariate normal: a journalled move adds its pattern's covariance to all later hours.

    A jump of the common part dies away with that part's memory.
    """
    model, hours, at = model_of(2, commons=1), 10, 6
    other = replace(model, wander_sd=2.0 * model.wander_sd)
    readings = series_of(model, hours, np.random.default_rng(47), offset_sd=0.1)
    readings[at:] += 0.2
    offsets, jump = np.array([0.3, -0.1, 0, 0, 0]), np.array([0, 0, 0, 0, 0.02])
    moved = healthy(readings, model, moved={at: np.array([offsets, jump])})

    def dense(one: NoiseModel) -> float:
        shown = np.zeros((hours, 2))
        shown[at:] = offsets[:2]
        faded = np.zeros((hours, 2))
        faded[at:] = jump[4] * one.memory[4] ** np.arange(hours - at)[:, None] * one.common_signature[:, 0]
        whole = dense_covariance(one, hours) + sum(np.outer(move.ravel(), move.ravel()) for move in (shown, faded))
        return float(multivariate_normal(cov=whole).logpdf(readings.ravel()))

    found = _log_likelihood(np.array([parameters(model), parameters(other)]), moved, model)

    assert found[0] - found[1] == pytest.approx(dense(model) - dense(other), rel=1e-6)


def test_likelihood_takes_each_hour_by_its_own_signature() -> None:
    """Twice the signature is the same as half the common part, hour by hour."""
    model = model_of(2, commons=1)
    readings = series_of(model, 30, np.random.default_rng(48))
    usual = healthy(readings, model)
    doubled = healthy(readings, model, signature=2.0 * usual.signature)
    whole, half = parameters(model), parameters(replace(model, common_sd=0.5 * model.common_sd))

    assert _log_likelihood(half[None], doubled, model) == pytest.approx(_log_likelihood(whole[None], usual, model))


def test_more_hours_are_learned_from_where_fewer_led() -> None:
    """Begun from what was known or from the usual noise, the wander found is the same."""
    readings = series_of(replace(GUESS, wander_sd=2.0 * GUESS.wander_sd), 300, np.random.default_rng(49))
    known = learn_noise(readings[:100], np.ones((100, 2)), GUESS)

    anew, on = (learn_more(healthy(readings, GUESS), GUESS, begin) for begin in (GUESS, known))

    assert on.wander_sd == pytest.approx(anew.wander_sd, rel=0.15)
    assert on.wander_tau_h == pytest.approx(anew.wander_tau_h, rel=0.3)

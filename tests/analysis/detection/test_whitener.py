"""The whitening filter against the dense Gaussian, and how it treats stray and missing hours."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from analysis.detection.noise import NoiseModel
from analysis.detection.whitener import SURPRISE_LIMIT, FilterState, Innovation, predict, start, update
from analysis.frames import Floats
from tests.support.noise_models import dense_covariance, innovations_of, model_of, series_of

MODEL = model_of(2, commons=1)
HOURS = 12


def log_likelihood(innovations: list[Innovation]) -> float:
    """Innovations form of the likelihood: the sum of every hour's own normal density."""
    total = 0.0
    for innovation in innovations:
        seen = np.isfinite(innovation.score)
        precision = innovation.precision[np.ix_(seen, seen)]
        surprise = innovation.surprise[seen]
        log_det = float(np.linalg.slogdet(precision)[1])
        total += 0.5 * (log_det - float(surprise @ precision @ surprise) - float(seen.sum()) * np.log(2 * np.pi))
    return total


def warmed(model: NoiseModel, hours: int = 200) -> FilterState:
    """The state after many hours that showed the commissioned flow."""
    state = start(model)
    for _ in range(hours):
        state, _ = update(model, predict(model, state), np.zeros(model.meters), np.ones(model.meters))
    return predict(model, state)


@pytest.mark.parametrize("missing", [(), ((3, 0),), ((0, 0), (0, 1), (5, 1), (6, 1), (11, 0))])
def test_likelihood_is_that_of_the_dense_gaussian(missing: tuple[tuple[int, int], ...]) -> None:
    """Scipy's multivariate normal with the covariance of all hours at once gives the same, readings missing or not."""
    readings = series_of(MODEL, HOURS, np.random.default_rng(3), offset_sd=0.1)
    for hour, meter in missing:
        readings[hour, meter] = np.nan
    seen = np.isfinite(readings).ravel()
    dense = dense_covariance(MODEL, HOURS)[np.ix_(seen, seen)]

    expected = float(multivariate_normal(cov=dense).logpdf(readings.ravel()[seen]))

    assert log_likelihood(innovations_of(MODEL, readings)) == pytest.approx(expected, rel=1e-6)


def test_state_is_the_conditional_mean_and_covariance() -> None:
    """Conditioning the dense Gaussian on all hours but the last predicts the last as the filter does."""
    readings = series_of(MODEL, HOURS, np.random.default_rng(4), offset_sd=0.1)
    dense = dense_covariance(MODEL, HOURS)
    cut = (HOURS - 1) * MODEL.meters
    gain = np.linalg.solve(dense[:cut, :cut], dense[:cut, cut:]).T
    expected = gain @ readings.ravel()[:cut]
    spread = dense[cut:, cut:] - gain @ dense[:cut, cut:]

    last = innovations_of(MODEL, readings)[-1]

    assert readings[-1] - last.surprise == pytest.approx(expected, rel=1e-6)
    assert np.linalg.inv(last.precision) == pytest.approx(spread, rel=1e-6)


def test_innovations_of_healthy_readings_are_white() -> None:
    """Over 2000 simulated hours the standardised surprises have variance 1 and no correlation of neighbours.

    Bounds: 4 standard errors of a variance, sqrt(2 / N), and of a correlation, 1 / sqrt(N).
    """
    innovations = innovations_of(MODEL, series_of(MODEL, 2100, np.random.default_rng(5)))[100:]
    white: Floats = np.array([np.linalg.cholesky(one.precision).T @ one.surprise for one in innovations])
    count = len(white)

    assert np.mean(white**2, axis=0) == pytest.approx(np.ones(2), abs=4 * np.sqrt(2 / count))
    neighbours = white[1:].T @ white[:-1] / count
    assert np.abs(neighbours).max() < 4 / np.sqrt(count)


def test_an_unseen_meter_has_no_surprise() -> None:
    """It adds nothing to the evidence and keeps the score that it had."""
    before = FilterState(start(MODEL).mean, start(MODEL).cov, np.array([1.5, -2.5]))

    after, innovation = update(MODEL, predict(MODEL, before), np.array([0.01, np.nan]), np.ones(2))

    assert innovation.surprise[1] == 0.0
    assert np.isnan(innovation.score[1])
    assert not innovation.precision[1].any()
    assert not innovation.precision[:, 1].any()
    assert after.score[1] == -2.5


def test_an_hour_without_readings_changes_nothing() -> None:
    """The state is what was predicted."""
    predicted = warmed(MODEL)

    after, _ = update(MODEL, predicted, np.full(2, np.nan), np.zeros(2))

    assert after.mean == pytest.approx(predicted.mean, abs=0.0)
    assert after.cov == pytest.approx(predicted.cov, abs=0.0)


def test_part_of_an_hour_is_noisier() -> None:
    """Identity: the mean of a quarter of the hour has four times the white variance."""
    predicted = warmed(MODEL)
    spreads = [
        np.linalg.inv(update(MODEL, predicted, np.zeros(2), np.full(2, share))[1].precision) for share in (1.0, 0.25)
    ]

    assert np.diag(spreads[1] - spreads[0]) == pytest.approx(3.0 * MODEL.white_sd**2, rel=1e-6)


@pytest.mark.parametrize("times", [1.5, 3.0, 50.0])
def test_a_stray_hour_counts_no_more_than_the_limit(times: float) -> None:
    """Identity: however far one hour lies out, its squared standardised surprise is that of the limit."""
    model = model_of(1)
    predicted = warmed(model)
    plain = update(model, predicted, np.zeros(1), np.ones(1))[1]
    sd = 1.0 / np.sqrt(plain.precision[0, 0])

    innovation = update(model, predicted, np.array([times * SURPRISE_LIMIT * sd]), np.ones(1))[1]

    assert innovation.surprise[0] ** 2 * innovation.precision[0, 0] == pytest.approx(SURPRISE_LIMIT**2, rel=1e-6)


@pytest.mark.parametrize(("second", "limited"), [(1.0, False), (-1.0, True)])
def test_the_second_hour_to_the_same_side_counts_in_full(second: float, limited: bool) -> None:  # noqa: FBT001 - a case's outcome
    """Two far hours in a row to one side are a change; to either side they are strays."""
    model = model_of(1)
    state = warmed(model)
    far = 10.0 * (model.wander_sd[0] + model.white_sd[0])
    state, _ = update(model, state, np.array([far]), np.ones(1))

    _, innovation = update(model, predict(model, state), np.array([2.0 * second * far]), np.ones(1))

    counted = innovation.surprise[0] ** 2 * innovation.precision[0, 0]
    expected = SURPRISE_LIMIT**2 if limited else float(innovation.score[0] ** 2)
    assert abs(innovation.score[0]) > SURPRISE_LIMIT
    assert counted == pytest.approx(expected, rel=1e-6)


JUMPY = replace(MODEL, common_jump_sd=np.array([0.03]))


def test_a_jump_of_a_common_part_is_seen_as_one() -> None:
    """The sump is topped up within the hour: the common part takes it, the offsets hardly move."""
    up = 0.03 * MODEL.common_signature[:, 0]
    whole = np.ones(MODEL.meters)

    calm, surprised = update(MODEL, warmed(MODEL), up, whole)
    jumped, told = update(JUMPY, warmed(JUMPY), up, whole)

    assert told.jumped.tolist() == [True]
    assert not surprised.jumped.any()
    place = 2 * MODEL.meters
    assert jumped.mean[place] > 2 * calm.mean[place]
    assert np.abs(jumped.mean[: MODEL.meters]).max() < np.abs(calm.mean[: MODEL.meters]).max()


def test_a_change_of_one_meter_is_no_jump() -> None:
    """What one meter shows alone lies across the pattern; an hour like any other lies nowhere far."""
    model = replace(model_of(4, commons=1), common_jump_sd=np.array([0.03]))
    lone = np.array([0.1, 0.0, 0.0, 0.0])

    for reading in (lone, np.full(4, 0.001)):
        _, innovation = update(model, warmed(model), reading, np.ones(4))
        assert not innovation.jumped.any()


def test_a_jump_is_not_looked_for_in_unseen_hours() -> None:
    """Nothing seen, nothing jumped."""
    _, innovation = update(JUMPY, warmed(JUMPY), np.full(2, np.nan), np.zeros(2))

    assert not innovation.jumped.any()

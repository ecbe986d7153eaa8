"""From evidence to probabilities."""

import numpy as np
import pytest
from scipy.special import logsumexp

from analysis.detection.bank import OnsetBank, empty, step
from analysis.detection.noise import NoiseModel
from analysis.detection.posterior import Hypotheses, by_hypothesis, log_sum, spans_of, weigh
from analysis.detection.whitener import predict, start, update
from analysis.frames import Floats
from tests.support.made_up_faults import faults
from tests.support.noise_models import model_of, series_of

HYPOTHESES = faults()
MODEL = model_of(3, commons=1)


def bank_after(model: NoiseModel, readings: Floats, *, judged_from: int) -> OnsetBank:
    """The bank of onsets from one hour on."""
    state, bank = start(model), empty(model)
    for hour, reading in enumerate(readings):
        state, innovation = update(model, predict(model, state), reading, np.ones(model.meters))
        if hour >= judged_from:
            bank = step(bank, model, hour, innovation)
    return bank


def one_meter(shape: tuple[float, float, float]) -> Hypotheses:
    """Small losses of a single meter, too small to be sure of in a few hours."""
    patterns = np.array([[-0.001], [-0.003], [-0.005]])
    owner = np.zeros(3, np.int64)
    return Hypotheses(
        names=("meter",),
        owner=owner,
        patterns=patterns,
        spans=np.zeros_like(patterns),
        size=patterns[:, 0],
        size_spans=np.zeros(3),
        hazard=np.ones(1),
        shape=np.array([shape]),
    )


def test_priors_sum_to_one() -> None:
    """Over all hypotheses, shapes and sizes."""
    assert np.exp(HYPOTHESES.log_prior).sum() == pytest.approx(1.0, abs=1e-12)


def test_prior_of_a_hypothesis_is_its_hazard() -> None:
    """However many sizes it is solved at."""
    mass = np.exp(HYPOTHESES.log_prior).sum(axis=0)

    assert np.bincount(HYPOTHESES.owner, weights=mass) == pytest.approx(HYPOTHESES.hazard)


def test_a_shape_that_never_happens_weighs_nothing() -> None:
    """A share of 0 is no error and no evidence."""
    prior = faults(shape=(1.0, 0.0, 0.0)).log_prior

    assert np.isfinite(prior).all()
    assert np.exp(prior[1:]).sum() == 0.0


def test_spans_reach_half_the_way() -> None:
    """By hand: sizes 1, 2, 4 of one owner, and a lone size of another."""
    patterns = np.array([[1.0], [2.0], [4.0], [9.0]])

    spans = spans_of(patterns, np.array([0, 0, 0, 1]))

    assert spans[:, 0] == pytest.approx([0.5, 0.75, 1.0, 0.0])


def test_log_sum_agrees_with_scipy() -> None:
    """scipy.special.logsumexp, on weights that would overflow or vanish."""
    weights = np.array([[[-2000.0, 800.0], [799.0, -1e9]]])

    assert log_sum(weights) == pytest.approx(float(logsumexp(weights)), rel=1e-12)


def test_no_onset_yet_is_no_evidence() -> None:
    """Before the first judged hour the odds are as good as nought."""
    weights, _ = weigh(HYPOTHESES, empty(MODEL), 5)

    assert log_sum(weights) < -1e6


def test_probabilities_sum_to_one() -> None:
    """Given that there is a fault, it is one of them."""
    bank = bank_after(MODEL, series_of(MODEL, 40, np.random.default_rng(21)), judged_from=20)
    weights, _ = weigh(HYPOTHESES, bank, 39)

    assert by_hypothesis(HYPOTHESES, weights).sum() == pytest.approx(1.0)


def test_statistic_grows_by_one_an_hour_on_a_healthy_plant() -> None:
    """Shiryaev-Roberts: E[R_n] = n under the true model (Pollak 1985; arXiv 0903.3352); Monte Carlo of 250 series.

    Steps without spans, for which the identity is exact; 4 standard errors, which are less than a fifth.
    """
    model, hours, warm, runs = model_of(1, commons=1, wander_sd=0.006), 8, 20, 250
    hypotheses = one_meter((1.0, 0.0, 0.0))
    random = np.random.default_rng(22)
    values = []
    for _ in range(runs):
        readings = series_of(model, warm + hours, random)
        weights, _ = weigh(hypotheses, bank_after(model, readings, judged_from=warm), warm + hours - 1)
        values.append(np.exp(log_sum(weights)))
    error = float(np.std(values) / np.sqrt(runs))

    assert 4 * error < 0.2 * hours
    assert np.mean(values) == pytest.approx(hours, abs=4 * error)


def test_statistic_grows_no_faster_with_ramps_and_spans() -> None:
    """With all shapes, and sizes integrated over, the bound on false alarms must still hold: E[R_n] <= n."""
    model, hours, warm, runs = model_of(3, commons=1), 8, 20, 150
    random = np.random.default_rng(23)
    values = []
    for _ in range(runs):
        readings = series_of(model, warm + hours, random)
        weights, _ = weigh(HYPOTHESES, bank_after(model, readings, judged_from=warm), warm + hours - 1)
        values.append(np.exp(log_sum(weights)))

    assert np.mean(values) < hours + 4 * np.std(values) / np.sqrt(runs)


def test_a_step_is_found_at_its_hour_and_size() -> None:
    """A sharp step: its hypothesis, onset and shape carry almost all the weight."""
    model = model_of(3, commons=1, wander_sd=0.004, white_sd=0.001)
    readings = series_of(model, 120, np.random.default_rng(24))
    readings[90:] += np.array([0.02, -0.1, 0.015])
    bank = bank_after(model, readings, judged_from=60)

    weights, _ = weigh(HYPOTHESES, bank, 119)

    share = np.exp(weights - log_sum(weights))
    assert by_hypothesis(HYPOTHESES, weights)[HYPOTHESES.names.index("branch b")] > 0.99
    assert share[:, 0].sum() > 0.95
    at = bank.onset_h[np.argmax(share.sum(axis=(1, 2)))]
    assert abs(at - 90) <= 3

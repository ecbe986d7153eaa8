"""The onset bank against likelihood ratios of the dense Gaussian."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import multivariate_normal

from analysis.detection.bank import POWERS, OnsetBank, empty, evidence, growth, step
from analysis.detection.noise import NoiseModel
from analysis.detection.products import products_of
from analysis.detection.track import Track
from analysis.detection.whitener import predict, start, update
from analysis.frames import Floats
from tests.support.noise_models import dense_covariance, model_of, series_of

MODEL = model_of(2, commons=1)
HOURS = 10
PATTERNS: Floats = np.array([[-0.02, 0.004], [0.0, 0.015], [-0.01, -0.008]])


def bank_of(model: NoiseModel, readings: Floats, protect: frozenset[int] = frozenset()) -> OnsetBank:
    """A bank fed with readings, every hour a possible onset."""
    state, bank = start(model), empty(model)
    for hour, reading in enumerate(readings):
        state, innovation = update(model, predict(model, state), reading, np.ones(model.meters))
        bank = step(bank, model, hour, innovation, protect)
    return bank


def change(onset: int, power: float, pattern: Floats) -> Floats:
    """[T, M] a change that reaches `pattern` in the last hour."""
    age = np.maximum(np.arange(HOURS) - onset + 1, 0)
    share = np.where(age > 0, (age / (HOURS - onset)) ** power, 0.0)
    return share[:, None] * pattern


def dense_log_ratio(readings: Floats, changed: Floats) -> float:
    """How much more likely the readings are with the change than without it, by scipy's multivariate normal."""
    seen = np.isfinite(readings).ravel()
    normal = multivariate_normal(cov=dense_covariance(MODEL, HOURS)[np.ix_(seen, seen)])
    left = (readings - changed).ravel()[seen]
    return float(normal.logpdf(left) - normal.logpdf(readings.ravel()[seen]))


def sample() -> Floats:
    """Readings with a change in them and two of them missing."""
    readings = series_of(MODEL, HOURS, np.random.default_rng(11))
    readings += change(4, 0.0, PATTERNS[0])
    readings[6, 0] = np.nan
    readings[2] = np.nan
    return readings


@pytest.mark.parametrize("shape", range(len(POWERS)))
@pytest.mark.parametrize("onset", [0, 4, HOURS - 1])
def test_evidence_is_the_dense_likelihood_ratio(onset: int, shape: int) -> None:
    """For every pattern, steps and ramps, early and late onsets, with readings missing."""
    readings = sample()
    bank = bank_of(MODEL, readings)

    ratios = evidence(bank, products_of(PATTERNS, np.zeros_like(PATTERNS)), HOURS - 1)

    expected = [dense_log_ratio(readings, change(onset, POWERS[shape], pattern)) for pattern in PATTERNS]
    at = int(np.flatnonzero(bank.onset_h == onset)[0])
    assert ratios.log_ratio[at, shape] == pytest.approx(expected, rel=1e-5, abs=1e-6)


def test_unread_hours_count_as_the_dense_gaussian_has_them() -> None:
    """A track that is fed hours without any reading, which open no onset: older ones keep the dense likelihood ratio."""
    readings = sample()
    readings[5:8] = np.nan
    track = Track(MODEL, start(MODEL), empty(MODEL))
    for hour, reading in enumerate(readings):
        track.take(hour, reading, np.ones(2), judged=bool(np.isfinite(reading).any()))

    ratios = evidence(track.bank, products_of(PATTERNS, np.zeros_like(PATTERNS)), HOURS - 1)

    assert track.bank.onset_h.tolist() == [0, 1, 3, 4, 8, 9]
    for at, onset in enumerate(track.bank.onset_h.tolist()):
        expected = [dense_log_ratio(readings, change(onset, POWERS[1], pattern)) for pattern in PATTERNS]
        assert ratios.log_ratio[at, 1] == pytest.approx(expected, rel=1e-5, abs=1e-6)


def test_a_span_is_integrated_over() -> None:
    """Sharp evidence with its peak inside: the ratio's mean over the span's sizes, by scipy's quadrature (0.02 nat)."""
    model = model_of(1, wander_sd=0.002, white_sd=0.0005)
    true = -0.063
    readings = series_of(model, HOURS, np.random.default_rng(12))
    readings[4:] += true
    bank = bank_of(model, readings)
    node, span = np.array([[-0.06]]), np.array([[0.02]])

    found = evidence(bank, products_of(node, span), HOURS - 1)

    def ratio(share: float) -> float:
        return float(evidence(bank, products_of(node + share * span, np.zeros((1, 1))), HOURS - 1).log_ratio[4, 0, 0])

    top = max(ratio(share) for share in np.linspace(-1, 1, 201))
    mean = top + np.log(0.5 * quad(lambda share: np.exp(ratio(share) - top), -1, 1, points=[-0.15])[0])
    assert found.log_ratio[4, 0, 0] == pytest.approx(mean, abs=0.02)
    assert node[0, 0] + found.lie.share[4, 0, 0] * span[0, 0] == pytest.approx(true, abs=0.01)


def test_a_peak_outside_the_span_is_judged_at_its_edge() -> None:
    """The size is looked for within the span only: neighbours have spans of their own."""
    model = model_of(1, wander_sd=0.002, white_sd=0.0005)
    readings = series_of(model, HOURS, np.random.default_rng(12))
    readings[4:] -= 0.2
    bank = bank_of(model, readings)

    found = evidence(bank, products_of(np.array([[-0.06]]), np.array([[0.02]])), HOURS - 1)

    # The peak lies to the far side, where the reading change is larger.
    assert found.lie.share[4, 0, 0] == -1.0


def test_growth_counts_the_onset_hour() -> None:
    """A step is whole at once, a ramp goes with its age: twice as old, twice as large, four times where it quickens."""
    young, old = growth(np.array([3.0, 6.0]))

    assert old / young == pytest.approx(2.0**POWERS)


def test_thinning_loses_no_hour() -> None:
    """Every past hour stays a possible onset: dropped ones leave their weight to a neighbour."""
    hours = 600
    bank = bank_of(model_of(1), np.zeros((hours, 1)))

    assert bank.weight_h.sum() == pytest.approx(hours)
    assert len(bank.onset_h) < hours / 4
    assert (np.diff(bank.onset_h) > 0).all()


def test_recent_onsets_are_all_kept() -> None:
    """A fresh change must be dated to the hour."""
    bank = bank_of(model_of(1), np.zeros((100, 1)))

    assert set(range(90, 100)) <= set(bank.onset_h.tolist())


def test_protected_onsets_stay() -> None:
    """An odd hour that the spacing would drop is kept while it is protected, and dropped otherwise."""
    odd = 101
    plain, protected = (
        bank_of(model_of(1), np.zeros((400, 1)), protect) for protect in (frozenset[int](), frozenset({odd}))
    )

    assert odd not in plain.onset_h
    assert odd in protected.onset_h
    assert protected.weight_h.sum() == pytest.approx(400)


def test_thinned_onsets_keep_their_evidence() -> None:
    """What is kept of an onset is untouched by what is dropped around it."""
    readings = series_of(MODEL, 150, np.random.default_rng(13))
    thinned = bank_of(MODEL, readings)
    everything = bank_of(MODEL, readings, frozenset(range(150)))
    same = np.isin(everything.onset_h, thinned.onset_h)

    assert len(everything.onset_h) == 150
    assert everything.score[same] == pytest.approx(thinned.score, rel=1e-9, abs=1e-9)
    assert everything.info[same] == pytest.approx(thinned.info, rel=1e-9, abs=1e-9)


def test_onsets_are_forgotten_in_the_end() -> None:
    """After some months an onset is too old to be news, so that the bank stays small for ever."""
    state, model = start(model_of(1)), model_of(1)
    bank = empty(model)
    _, innovation = update(model, predict(model, state), np.zeros(1), np.ones(1))
    sizes = []
    for hour in range(0, 24 * 400, 24):
        bank = step(bank, model, hour, innovation)
        sizes.append(len(bank.onset_h))

    assert sizes[-1] == max(sizes) == sizes[len(sizes) // 2]

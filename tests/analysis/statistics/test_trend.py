"""Trend of a series against scipy, the exact variance and simulated wander; published values in tests/published."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from analysis.frames import Floats
from analysis.statistics.autocorrelation import Autocorrelation, autocorrelation_of
from analysis.statistics.trend import inflation, mann_kendall, theil_sen

SERIES = st.lists(st.integers(-20, 20), min_size=6, max_size=25).filter(lambda values: len(set(values)) > 2)


def exactly(phi: float) -> Autocorrelation:
    """As if the autocorrelation were known."""
    return Autocorrelation(phi=np.array([phi]), weight=np.ones(1))


def variance_of_the_score(count: int, phi: float) -> float:
    """Of Mann-Kendall's S for a normal autoregression, pair by pair.

    The mean product of two signs is 2/pi times the arc sine of the correlation (Sheppard 1899; used so by Hamed and Rao
    1998).
    """
    first, second = (place.astype(np.float64) for place in np.triu_indices(count, 1))

    def kept(apart: Floats) -> Floats:
        left: Floats = phi ** np.abs(apart)
        return left

    joint = (
        kept(second[:, None] - second)
        - kept(first[:, None] - second)
        - kept(second[:, None] - first)
        + kept(first[:, None] - first)
    )
    sd = np.sqrt(2.0 - 2.0 * kept(second - first))
    return float(2.0 / np.pi * np.arcsin(np.clip(joint / np.outer(sd, sd), -1.0, 1.0)).sum())


def wander(random: np.random.Generator, count: int, phi: float) -> Floats:
    """[T] autoregression of standard deviation one."""
    values = [random.standard_normal()]
    for fresh in random.standard_normal(count - 1):
        values.append(phi * values[-1] + np.sqrt(1.0 - phi**2) * fresh)
    return np.array(values)


@given(values=SERIES)
def test_slope_and_interval_of_independent_values(values: list[int]) -> None:
    """As scipy has them; its interval rounds the reach in ranks, ours takes the next rank outward."""
    series = np.array(values, float)
    at = np.arange(len(series), dtype=float)
    found = theil_sen(at, series, probability=0.9)
    known = stats.theilslopes(series, at, alpha=0.9)

    assert found.slope == pytest.approx(known.slope, abs=1e-12)
    assert found.low <= known.low_slope + 1e-12
    assert found.high >= known.high_slope - 1e-12


@given(values=SERIES)
def test_score_is_kendalls(values: list[int]) -> None:
    """The pairs of scipy's tau-b, undone."""
    series = np.array(values, float)
    pairs = len(series) * (len(series) - 1) / 2
    tied = sum(count * (count - 1) / 2 for count in np.unique(series, return_counts=True)[1])
    tau = stats.kendalltau(np.arange(len(series)), series).statistic

    assert mann_kendall(series).score == pytest.approx(tau * np.sqrt(pairs * (pairs - tied)), abs=1e-9)


def test_values_that_are_all_the_same_have_no_trend() -> None:
    """And no variance to divide by."""
    tested = mann_kendall(np.full(9, 3.0))

    assert (tested.score, tested.z, tested.probability) == (0, 0.0, 1.0)


@pytest.mark.parametrize("count", [10, 28, 40])
@pytest.mark.parametrize("phi", [0.0, 0.3, 0.6, 0.8, 0.9])
def test_inflation_is_that_of_all_pairs(count: int, phi: float) -> None:
    """Hamed and Rao's sum over lags against their sum over pairs of pairs: 5 % in the variance."""
    plain = count * (count - 1) * (2 * count + 5) / 18

    assert plain * inflation(count, phi) == pytest.approx(variance_of_the_score(count, phi), rel=0.05)


def test_autocorrelation_makes_a_trend_less_sure() -> None:
    """The same series, the same slope: a wider interval and a likelier chance."""
    random = np.random.default_rng(5)
    at = np.arange(28.0)
    values = 0.05 * at + random.standard_normal(28)
    plain, doubted = (theil_sen(at, values, autocorrelation=known) for known in (None, exactly(0.6)))

    assert doubted.slope == plain.slope
    assert doubted.low < plain.low < plain.high < doubted.high
    assert mann_kendall(values, autocorrelation=exactly(0.6)).probability > mann_kendall(values).probability


def test_a_few_values_that_wander_bound_nothing() -> None:
    """Rather no end than a wrong one."""
    found = theil_sen(
        np.arange(5.0), np.array([1.0, 1.2, 1.1, 1.5, 1.4]), probability=0.99, autocorrelation=exactly(0.9)
    )

    assert (found.low, found.high) == (-np.inf, np.inf)


@pytest.mark.parametrize(("count", "tau_h"), [(28, 2.0), (28, 20.0), (28, 48.0), (10, 20.0)])
def test_intervals_cover_what_they_say(count: int, tau_h: float) -> None:
    """Means over days of hours that wander, a slope among them: nine in ten hold it, or more; 150 series.

    Intervals for independent values hold it in 61 % (28 days, 48 h) to 92 % (2 h) of these.
    """
    random = np.random.default_rng(9)
    phi, at = np.exp(-1.0 / tau_h), np.arange(float(count))
    inside, plain = 0, 0
    for _ in range(150):
        days = wander(random, 24 * count, float(phi)).reshape(count, 24).mean(axis=1) + 0.1 * at
        found = theil_sen(at, days, autocorrelation=autocorrelation_of(at, days, degree=2))
        naive = theil_sen(at, days)
        inside += found.low <= 0.1 <= found.high
        plain += naive.low <= 0.1 <= naive.high

    assert plain < 0.93 * 150
    assert inside >= 0.88 * 150


@pytest.mark.parametrize("phi", [0.3, 0.5, 0.8])
def test_autocorrelation_is_found_again(phi: float) -> None:
    """Without the bias that the residuals of a curve have: the mean over 40 series of 60 values with gaps."""
    random = np.random.default_rng(2)
    means = []
    for _ in range(40):
        at = np.sort(random.choice(80, 60, replace=False)).astype(float)
        values = wander(random, 80, phi)[at.astype(int)] + 0.3 * at
        means.append(autocorrelation_of(at, values, degree=2).mean)

    assert np.mean(means) == pytest.approx(phi, abs=0.12)


def test_upper_bound_of_the_autocorrelation() -> None:
    """It holds what it says, and more of it holds more."""
    known = Autocorrelation(phi=np.array([0.1, 0.5, 0.9]), weight=np.array([0.5, 0.4, 0.1]))

    assert (known.upper(0.4), known.upper(0.8), known.upper(0.95)) == (0.1, 0.5, 0.9)
    assert known.mean == pytest.approx(0.34)


def test_a_series_on_its_course_says_nothing() -> None:
    """Every correlation is as likely as any other."""
    known = autocorrelation_of(np.arange(9.0), 2.0 * np.arange(9.0), degree=2)

    assert np.ptp(known.weight) == 0.0


def test_too_few_values_are_refused() -> None:
    """With how many it takes."""
    with pytest.raises(ValueError, match="takes 5"):
        autocorrelation_of(np.arange(4.0), np.arange(4.0), degree=1)

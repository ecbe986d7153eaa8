"""Trend of a series by the order of its values: Theil-Sen slope, Mann-Kendall test, both fit for autocorrelated series.

Sources: Theil (1950) and Sen (1968, Estimates of the regression coefficient based on Kendall's tau) for slope and
interval, Mann (1945) and Kendall (1975) for the test, Hamed and Rao (1998, A modified Mann-Kendall trend test for
autocorrelated data, Journal of Hydrology 204) for what autocorrelation does to its variance.
"""

import math
from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats
from analysis.statistics.autocorrelation import Autocorrelation
from analysis.statistics.normal import two_sided_tail

HALVINGS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class MannKendall:
    """The Mann-Kendall test.

    Attributes:
        score: S, pairs that rise less pairs that fall.
        variance: of S without a trend.
        z: S in its standard deviations, brought nearer to zero by one for continuity.
        probability: of an S as far from zero or further without any trend.
    """

    score: int
    variance: float
    z: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """Theil-Sen slope per step with its interval; an end is infinite where the order of the values sets no bound."""

    slope: float
    low: float
    high: float


def mann_kendall(values: Floats, *, autocorrelation: Autocorrelation | None = None) -> MannKendall:
    """Test [T] values in the order of time for a trend; independent ones without an autocorrelation."""
    score = int(np.sum(_rises(values)))
    variances = tied_variance(values) * _inflations(len(values), autocorrelation)
    weight = np.ones(1) if autocorrelation is None else autocorrelation.weight
    nearer = score - np.sign(score)
    variance = float(weight @ variances)
    if variance == 0.0:
        return MannKendall(score=score, variance=0.0, z=0.0, probability=1.0)
    return MannKendall(
        score=score,
        variance=variance,
        z=float(nearer / math.sqrt(variance)),
        probability=float(weight @ two_sided_tail(nearer / np.sqrt(variances))),
    )


def tied_variance(values: Floats) -> float:
    """Variance of S for independent values, of which some may be equal (Kendall 1975)."""
    count = len(values)
    ties = np.unique(values, return_counts=True)[1]
    return float(count * (count - 1) * (2 * count + 5) - np.sum(ties * (ties - 1) * (2 * ties + 5))) / 18.0


def inflation(count: int, phi: float) -> float:
    """How many times larger autocorrelation makes the variance of S (Hamed and Rao 1998).

    Args:
        count: of values, a step apart. Where some are missing they are taken to lie closer than they do, which errs
            to the careful side.
        phi: correlation of two values a step apart, phi**2 of two steps, and so on.
    """
    lag = np.arange(1, count)
    ranked = 6.0 / np.pi * np.arcsin(phi**lag / 2.0)
    pairs = (count - lag) * (count - lag - 1.0) * (count - lag - 2.0)
    return float(1.0 + 2.0 / (count * (count - 1) * (count - 2)) * (pairs @ ranked))


def theil_sen(
    at: Floats, values: Floats, *, probability: float = 0.9, autocorrelation: Autocorrelation | None = None
) -> Slope:
    """The median slope of all pairs, with the interval of those slopes that the Mann-Kendall test would not refuse.

    Args:
        at: [T] when, in steps; ascending.
        values: [T].
        probability: that the interval holds the true slope.
        autocorrelation: of the departures; independent without one. The interval weighs all that it leaves possible.
    """
    first, second = np.triu_indices(len(at), 1)
    slopes = np.sort((values[second] - values[first]) / (at[second] - at[first]))
    variances = tied_variance(values) * _inflations(len(values), autocorrelation)
    weight = np.ones(1) if autocorrelation is None else autocorrelation.weight
    reach = _reach(np.sqrt(variances), weight, 1.0 - probability)
    low = math.floor((len(slopes) - reach) / 2.0) - 1
    high = math.ceil((len(slopes) + reach) / 2.0)
    return Slope(
        slope=float(np.median(slopes)),
        low=float(slopes[low]) if low >= 0 else -math.inf,
        high=float(slopes[high]) if high < len(slopes) else math.inf,
    )


def _rises(values: Floats) -> Floats:
    first, second = np.triu_indices(len(values), 1)
    return np.sign(values[second] - values[first])


def _inflations(count: int, autocorrelation: Autocorrelation | None) -> Floats:
    if autocorrelation is None:
        return np.ones(1)
    return np.array([inflation(count, float(phi)) for phi in autocorrelation.phi])


def _reach(sd: Floats, weight: Floats, outside: float) -> float:
    """How far from zero S lies with no more than this probability: a mixture of normal ones [P], by halving."""
    low, high = 0.0, 10.0 * float(sd.max())
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        beyond = float(weight @ two_sided_tail(middle / np.maximum(sd, 1e-300)))
        low, high = (middle, high) if beyond > outside else (low, middle)
    return 0.5 * (low + high)

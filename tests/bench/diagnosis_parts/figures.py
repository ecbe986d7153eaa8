"""Figures with their uncertainty: a rate, a share, a median, each with its 90 % interval."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from analysis.frames import Floats

TAIL = 0.05
DRAWS = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure, its 90 % interval, and how many cases it rests on; value None without any."""

    value: float | None
    low: float | None
    high: float | None
    cases: int

    def plain(self) -> dict[str, float | int | None]:
        """For JSON."""
        return {
            "value": _rounded(self.value),
            "low": _rounded(self.low),
            "high": _rounded(self.high),
            "cases": self.cases,
        }

    def text(self, digits: int = 2) -> str:
        """For people."""
        if self.value is None:
            return "no cases"
        if self.low is None or self.high is None:
            return f"{self.value:.{digits}f}"
        return f"{self.value:.{digits}f} ({self.low:.{digits}f} to {self.high:.{digits}f})"


def rate(count: int, exposure: float) -> Figure:
    """Events over an exposure, with the exact interval of a Poisson count (Garwood 1936, from memory)."""
    if exposure <= 0:
        return Figure(value=None, low=None, high=None, cases=count)
    low = float(stats.chi2.ppf(TAIL, 2 * count)) / 2 if count else 0.0
    high = float(stats.chi2.ppf(1 - TAIL, 2 * count + 2)) / 2
    return Figure(value=count / exposure, low=low / exposure, high=high / exposure, cases=count)


def share(hits: Sequence[bool]) -> Figure:
    """Share of hits, with the interval of Clopper and Pearson (1934, from memory)."""
    cases, count = len(hits), sum(hits)
    if not cases:
        return Figure(value=None, low=None, high=None, cases=0)
    low = float(stats.beta.ppf(TAIL, count, cases - count + 1)) if count else 0.0
    high = float(stats.beta.ppf(1 - TAIL, count + 1, cases - count)) if count < cases else 1.0
    return Figure(value=count / cases, low=low, high=high, cases=cases)


def median(values: Sequence[float]) -> Figure:
    """Median, with its percentile bootstrap interval (seeded)."""
    return _bootstrapped(values, lambda draws: np.median(draws, axis=1))


def quantile(values: Sequence[float], level: float) -> Figure:
    """Quantile at a level, likewise."""
    return _bootstrapped(values, lambda draws: np.quantile(draws, level, axis=1))


def mean(values: Sequence[float]) -> Figure:
    """Mean, with its percentile bootstrap interval (seeded)."""
    return _bootstrapped(values, lambda draws: np.mean(draws, axis=1))


def _bootstrapped(values: Sequence[float], statistic: Callable[[Floats], Floats]) -> Figure:
    if not len(values):
        return Figure(value=None, low=None, high=None, cases=0)
    known = np.asarray(values, dtype=np.float64)
    draws = statistic(known[np.random.default_rng(0).integers(len(known), size=(DRAWS, len(known)))])
    low, high = np.quantile(draws, [TAIL, 1 - TAIL]).tolist()
    return Figure(value=float(statistic(known[None])[0]), low=low, high=high, cases=len(known))


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)

"""Control charts: the tabular CUSUM and the EWMA of a series, and where they first signal.

The watch does not use them: it weighs whitened readings against every fault's own pattern. They are the yardstick that
it is held against, with limits that allow for the same wander (`chart_limits`).

Sources: Page (1954) for the CUSUM, Roberts (1959) for the EWMA, both by way of Montgomery and Runger, Applied Statistics
and Probability for Engineers, chapter 16.
"""

import itertools
import math
from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Cusum:
    """Both sums of a tabular CUSUM, [T] each, in the unit of the series."""

    upper: Floats
    lower: Floats

    def first_signal(self, limit: float) -> int | None:
        """The first place where a sum lies above the limit (decision interval); None without any."""
        over = np.flatnonzero(np.maximum(self.upper, self.lower) > limit)
        return int(over[0]) if over.size else None


def cusum(values: Floats, target: float, *, allowance: float, head_start: float = 0.0) -> Cusum:
    """Tabular CUSUM.

    Args:
        values: [T] the series.
        target: what it should be.
        allowance: what a value may differ from the target without adding to a sum (reference value k), in its unit.
        head_start: where both sums begin (fast initial response: Lucas and Crosier 1982).
    """
    return Cusum(
        upper=_sums(values - target - allowance, head_start),
        lower=_sums(target - allowance - values, head_start),
    )


def _sums(gains: Floats, head_start: float) -> Floats:
    sums = itertools.accumulate(gains, lambda total, gain: max(0.0, total + gain), initial=head_start)
    return np.fromiter(sums, dtype=np.float64)[1:]


def ewma(values: Floats, *, weight: float, start: float) -> Floats:
    """[T] exponentially weighted moving average.

    Args:
        values: [T] the series.
        weight: of the newest value, 0..1 (lambda).
        start: what the average is before the first value.
    """
    averages = itertools.accumulate(
        values, lambda average, value: (1.0 - weight) * average + weight * value, initial=start
    )
    return np.fromiter(averages, dtype=np.float64)[1:]


def ewma_limits(target: float, sd: float, *, weight: float, width: float) -> tuple[float, float]:
    """Lower and upper limit of an EWMA at `width` of its own long-run standard deviations, `sd` being a value's."""
    reach = width * sd * math.sqrt(weight / (2.0 - weight))
    return target - reach, target + reach

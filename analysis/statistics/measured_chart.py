"""A CUSUM for a series as it was measured while all was well: its wander, and a limit that allows for it.

Values that remember each other for long are averaged over spans first, until a chart of the means makes sense.
"""

import math
from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats
from analysis.statistics.autocorrelation import LEAST_VALUES, autocorrelation_of
from analysis.statistics.chart_limits import CusumChart, cusum_chart
from analysis.statistics.control_charts import Cusum, cusum

SPANS = (1, 2, 3, 4, 6, 8, 12, 24, 48)
# Means are taken over spans until the correlation from one to the next is no higher than this.
ENOUGH_NEWS = 0.85
# The correlation is taken at the upper end of what the healthy days leave possible: this share lies below it.
CAREFUL = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredChart:
    """A chart of means over spans.

    Attributes:
        span: values in a mean.
        mean, sd: of the means while all was well. phi: correlation of a mean with the next, taken with care.
        chart: allowance and limit in `sd`, its delay in means.
    """

    span: int
    mean: float
    sd: float
    phi: float
    chart: CusumChart

    def sums(self, values: Floats) -> Cusum:
        """The chart of a series [T], in `sd`: a value a span, hours that are missing (nan) or left over left out."""
        means = _means(values, self.span)
        known = means[np.isfinite(means)]
        return cusum((known - self.mean) / self.sd, 0.0, allowance=self.chart.allowance)


def chart_of(healthy: Floats, *, false_alarms: float, shift: float) -> MeasuredChart:
    """Make the chart of a series that was well.

    Args:
        healthy: [T] values while all was well, nan unknown.
        false_alarms: signals that are accepted, a value.
        shift: to be seen, in the unit of the values.

    Raises:
        ValueError: too few values for how long they remember each other.
    """
    for span in SPANS:
        means = _means(healthy, span)
        known = np.isfinite(means)
        if known.sum() < LEAST_VALUES:
            break
        at = np.flatnonzero(known).astype(np.float64)
        phi = autocorrelation_of(at, means[known], degree=0).upper(CAREFUL)
        if phi <= ENOUGH_NEWS:
            sd = _sd(means[known], phi)
            chart = cusum_chart(1.0 / (false_alarms * span), shift=shift / sd, phi=phi)
            return MeasuredChart(span=span, mean=float(means[known].mean()), sd=sd, phi=phi, chart=chart)
    raise ValueError("the series remembers for too long to learn its wander from so few values: give it more")


def _means(values: Floats, span: int) -> Floats:
    """[T // span] mean of each whole span; nan where a value of it is."""
    whole = len(values) // span * span
    means: Floats = values[:whole].reshape(-1, span).mean(axis=1)
    return means


def _sd(values: Floats, phi: float) -> float:
    """Standard deviation of a first-order autoregression: what its own mean has taken out of the plain one is put back."""
    count = len(values)
    lag = np.arange(1, count)
    taken = 2.0 / (count * (count - 1)) * float((count - lag) @ phi**lag)
    return float(values.std(ddof=1)) / math.sqrt(max(1.0 - taken, 0.1))

"""How long a series remembers: the first-order autoregression that its departures from a smooth course follow."""

from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats

# What may be left of a departure one step later. A series that keeps more than this tells no trend from a wander.
PHI_GRID = np.linspace(0.0, 0.98, 50)
LEAST_VALUES = 5
# Departures of less than a millionth of a millionth are rounding.
ROUNDING = 1e-24


@dataclass(frozen=True, slots=True, kw_only=True)
class Autocorrelation:
    """What a series says of its own memory.

    Attributes:
        phi: [P] correlation of two departures one step apart. weight: [P] probability of each, together one.
    """

    phi: Floats
    weight: Floats

    @property
    def mean(self) -> float:
        """Expected correlation of two departures one step apart."""
        return float(self.phi @ self.weight)

    def upper(self, probability: float) -> float:
        """The correlation that the true one is no higher than, with this probability."""
        place = int(np.searchsorted(np.cumsum(self.weight), probability))
        return float(self.phi[min(place, len(self.phi) - 1)])


def autocorrelation_of(at: Floats, values: Floats, *, degree: int) -> Autocorrelation:
    """Measure the autocorrelation of a series that may have gaps.

    The restricted likelihood (Patterson and Thompson 1971, from memory) of a first-order autoregression over a grid: it
    allows for the course that is taken out, where the plain correlation of the residuals errs to the low side. A series
    that lies on its course says nothing: every correlation is as likely.

    Args:
        at: [T] when, in steps; ascending, gaps are allowed.
        values: [T] the series.
        degree: of the course that is taken out: 0 the mean, 1 a line, 2 a curve. A curve keeps a bend in a trend
            from being taken for memory.

    Raises:
        ValueError: fewer than LEAST_VALUES values.
    """
    if len(values) < LEAST_VALUES:
        raise ValueError(f"{len(values)} values say nothing of autocorrelation: it takes {LEAST_VALUES}")
    along = (at - at.mean()) / max(float(np.ptp(at)), 1.0)
    course = np.stack([along**power for power in range(degree + 1)])
    score = np.array([_restricted_log_likelihood(float(phi), at, values, course) for phi in PHI_GRID])
    weight = np.exp(score - score.max())
    return Autocorrelation(phi=PHI_GRID, weight=weight / weight.sum())


def _restricted_log_likelihood(phi: float, at: Floats, values: Floats, course: Floats) -> float:
    """Up to a constant; an autoregression is whitened by what each value adds to the one before it."""
    kept = phi ** np.diff(at)
    fresh = np.sqrt(1.0 - kept**2)
    white = np.concatenate([[values[0]], (values[1:] - kept * values[:-1]) / fresh])
    shape = np.concatenate([course[:, :1], (course[:, 1:] - kept * course[:, :-1]) / fresh], axis=1)
    normal = shape @ shape.T
    left = white - np.linalg.solve(normal, shape @ white) @ shape
    spread = float(left @ left)
    if spread <= ROUNDING * float(white @ white):
        return 0.0
    degrees = len(values) - len(course)
    return float(-np.log(fresh).sum() - 0.5 * np.linalg.slogdet(normal)[1] - 0.5 * degrees * np.log(spread))

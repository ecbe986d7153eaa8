"""Which way a run's flow is going over the days shown, and how sure that is.

Judged on the means of whole local days, so that the daily cycle does not count, by Theil-Sen and Mann-Kendall with the
autocorrelation that the same days show. What the pump's logged speed changed is taken out, and days from before the last
work on the run, or the last onset or end of a finding there, are left out. It says where a flow is going; what is wrong
is for the findings.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from analysis.frames import Floats, Ints
from analysis.statistics.autocorrelation import autocorrelation_of
from analysis.statistics.trend import Slope, mann_kendall, theil_sen

LEAST_DAYS = 7
# Hours that a day must be known in to count; fewer would let the daily cycle in. Common practice, no source.
LEAST_HOURS_A_DAY = 18
INTERVAL = 0.9
# A trend is sure where chance alone would show it once in a hundred times or less; a word of our own.
SURE = 0.01
# Per cent a day that nobody need mind, 1.5 % a month. Common practice, no source.
SLIGHT_PERCENT = 0.05


class Going(StrEnum):
    """Which way a flow is going."""

    FALLING = "falling"
    RISING = "rising"
    NOWHERE = "no trend"
    TOO_FEW = "too few days"


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """What the days before are left out for, and when it was, UTC epoch seconds."""

    at_s: float
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """The trend of one flow.

    Attributes:
        sure: whether chance can hardly have made it; False where there is none.
        percent, low_percent, high_percent: change in a day with its 90 % interval; nan with too few days, infinite
            where the days set no bound.
        days: whole days that count.
        since: why earlier days do not count; None where all of the stretch does.
    """

    going: Going
    sure: bool
    percent: float
    low_percent: float
    high_percent: float
    days: int
    since: Since | None


def drift_of(days: Ints, flow_m3s: Floats, expected_m3s: Floats, *, since_day: int, since: Since | None) -> Drift:
    """The trend of a flow.

    Args:
        days: [T] the local day of each hour, counted on.
        flow_m3s: [T] the flow, nan unknown.
        expected_m3s: [T] what the commissioned plant would give at the logged speed, nan unknown.
        since_day: the first day that counts.
        since: why.
    """
    at, levels = day_levels(days, flow_m3s / expected_m3s)
    counts = (at >= since_day) & (levels > 0.0)
    place: Floats = at[counts].astype(np.float64)
    logs = 100.0 * np.log(levels[counts])
    if len(place) < LEAST_DAYS or np.ptp(logs) == 0.0:
        return _without_trend(len(place), since)
    known = autocorrelation_of(place, logs, degree=2)
    slope = theil_sen(place, logs, probability=INTERVAL, autocorrelation=known)
    tested = mann_kendall(logs, autocorrelation=known)
    going = _going(slope)
    return Drift(
        going=going,
        sure=going is not Going.NOWHERE and tested.probability <= SURE,
        percent=slope.slope,
        low_percent=slope.low,
        high_percent=slope.high,
        days=len(place),
        since=since,
    )


def day_levels(days: Ints, values: Floats) -> tuple[Ints, Floats]:
    """The days that are known well enough, ascending, and the mean of each; `days` and `values` [T], nan unknown."""
    known = np.isfinite(values)
    found, place, hours = np.unique(days[known], return_inverse=True, return_counts=True)
    means = np.bincount(place, weights=values[known], minlength=len(found)) / np.maximum(hours, 1)
    enough = hours >= LEAST_HOURS_A_DAY
    return found[enough], means[enough]


def _going(slope: Slope) -> Going:
    if slope.low > 0.0 and slope.slope >= SLIGHT_PERCENT:
        return Going.RISING
    if slope.high < 0.0 and slope.slope <= -SLIGHT_PERCENT:
        return Going.FALLING
    return Going.NOWHERE


def _without_trend(days: int, since: Since | None) -> Drift:
    """Too few days to say, or flows that are all the same."""
    same = days >= LEAST_DAYS
    size = 0.0 if same else math.nan
    return Drift(
        going=Going.NOWHERE if same else Going.TOO_FEW,
        sure=False,
        percent=size,
        low_percent=size,
        high_percent=size,
        days=days,
        since=since,
    )

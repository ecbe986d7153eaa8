"""The least error of a forecast that any reading of the meters allows (Cramer-Rao), for a load that grows by a power of time.

The load is L ((t - t0) / A)^p, with A its age at the crossing. What nobody knows is when it began, how fast it grows
and, unless it is given, by which power. The date's variance is that of t0 - A log(L) / p. (Rao 1945, Cramer 1946, from
memory; with what is known of the power before as in van Trees, Detection, Estimation and Modulation Theory, from memory.)
"""

from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats
from tests.bench.diagnosis_parts.oracle import Whitener

# Half of all errors of a normal distribution are within so many standard deviations.
MEDIAN_SD = 0.6745
# Spread of the log of the power that the faults are drawn with.
POWER_LOG_SD = 0.25
LEAST_HOURS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Least:
    """Median error (h) of the best forecast: with the power given, and with no more known of it than how it is drawn."""

    power_known_h: float
    power_drawn_h: float


def least_error(whitener: Whitener, change: Floats, *, onset_h: int, crossed_h: float, at_h: int) -> Least | None:
    """What the readings of the hours before `at_h` allow.

    Args:
        whitener: of the plant's true noise.
        change: [T, M] log change of the readings by the fault.
        onset_h: the true beginning.
        crossed_h: when the flow itself is at the limit.
        at_h: when the forecast is made.

    Returns:
        None where so few hours tell nothing.
    """
    if at_h < onset_h + LEAST_HOURS:
        return None
    age = np.maximum(np.arange(at_h) + 0.5 - onset_h, 0.5)[:, None]
    rate = np.where(np.arange(at_h)[:, None] >= onset_h, np.gradient(change[:at_h], axis=0), 0.0)
    whole = crossed_h - onset_h
    signals = np.stack([-rate, age * rate, age * np.log(age / whole) * rate], axis=2)
    surprise = whitener.surprise(signals)
    info: Floats = np.einsum("tim,tij,tjn->mn", surprise, whitener.precision[:at_h], surprise)
    drawn = info + np.diag([0.0, 0.0, POWER_LOG_SD**-2])
    by = np.array([1.0, -whole, 0.0])
    known, free = _sd(info[:2, :2], by[:2]), _sd(drawn, by)
    return (
        None
        if known is None or free is None
        else Least(power_known_h=MEDIAN_SD * known, power_drawn_h=MEDIAN_SD * free)
    )


def _sd(info: Floats, by: Floats) -> float | None:
    scale = np.sqrt(np.diag(info))
    if not (scale > 0).all():
        return None
    scaled = info / np.outer(scale, scale)
    if np.linalg.cond(scaled) > 1e12:
        return None
    return float(np.sqrt((by / scale) @ np.linalg.solve(scaled, by / scale)))

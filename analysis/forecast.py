"""When the day's mean of a drifting branch leaves its target: the date, with an interval that carries what is not known.

The change is taken to go on growing in the shape that it has shown. Every onset, shape and size that the readings
leave possible gives a crossing; the forecast is the spread of these crossings, weighed as the evidence weighs them.
"""

from dataclasses import dataclass

import numpy as np

from analysis.assessment import FaultKind, Forecast
from analysis.detection.bank import POWERS
from analysis.detection.change import Change
from analysis.detection.verdict import Verdict
from analysis.frames import HOUR_S, Floats
from analysis.watching import Watched

LEVELS = (0.05, 0.5, 0.95)
# Beyond this nobody plans by a forecast.
FARTHEST_H = 24 * 90
STILL = 1e-4
LEAST_DRIFT_PROBABILITY = 0.5
# A branch counts as below its target once the mean of a day is, which trails the flow by half a day.
DAY_MEAN_LAG_H = 12.0
# What stands behind the shown growth may itself change: spread (log) of the time still to go. Common practice, no
# source.
PACE_LOG_SD = 0.25


@dataclass(frozen=True, slots=True)
class _Crossings:
    hours_to_go: Floats
    weight: Floats


def standing_of(watched: Watched, change: Change) -> tuple[Forecast, ...]:
    """Forecasts of a change that lasts, made at its latest verdict."""
    return _forecasts(watched, change.latest) if change.open else ()


def history_of(watched: Watched, change: Change) -> tuple[Forecast, ...]:
    """Forecasts of a change at every verdict that was noted, in order."""
    return tuple(forecast for verdict in change.noted for forecast in _forecasts(watched, verdict))


def _forecasts(watched: Watched, verdict: Verdict) -> tuple[Forecast, ...]:
    """One forecast for every branch that a growing change drives out of its target."""
    leader = watched.signatures.faults[verdict.top]
    if 1.0 - verdict.step < LEAST_DRIFT_PROBABILITY or leader.kind is FaultKind.METER:
        return ()
    made = (_forecast(watched, verdict, run) for run in range(len(watched.signatures.runs)))
    return tuple(forecast for forecast in made if forecast is not None)


def _forecast(watched: Watched, verdict: Verdict, run: int) -> Forecast | None:
    name = watched.signatures.runs[run]
    record = next(branch for branch in watched.plant.runs if branch.name == name)
    if record.target is None or record.target.low_m3s is None or record.meter not in watched.baseline.meters:
        return None
    column = watched.baseline.meters.index(record.meter)
    limit = float(
        np.log(record.target.low_m3s / watched.baseline.flow_m3s[column]) - watched.shift[verdict.hour, column]
    )
    now = float(verdict.expected[column])
    crossings = _crossings(verdict, column, limit)
    if now <= limit or crossings is None:
        return None
    low, middle, high = (_quantile(crossings, level) for level in LEVELS)
    if middle > FARTHEST_H:
        return None
    at_s = watched.told_at_s(verdict.hour, verdict.part)
    return Forecast(
        made_at_s=at_s,
        run=name,
        below_target_at_s=int(at_s + middle * HOUR_S),
        low_s=int(at_s + low * HOUR_S),
        high_s=int(at_s + high * HOUR_S),
    )


def _crossings(verdict: Verdict, column: int, limit: float) -> _Crossings | None:
    """Hours to go until the reading's change reaches the limit, for every growing onset and shape."""
    growing = verdict.by_onset.weight[:, POWERS > 0]
    size = verdict.by_onset.change[:, POWERS > 0, column]
    age_h = (verdict.hour - verdict.by_onset.onset_h + 1.0)[:, None]
    falling = (size < -STILL) & (growing > 0)
    if growing.sum() <= 0 or growing[falling].sum() < LEAST_DRIFT_PROBABILITY * growing.sum():
        return None
    ratio = np.where(falling, limit / np.where(falling, size, -1.0), 1.0)
    to_go = age_h * (np.maximum(ratio, 1.0) ** (1.0 / POWERS[POWERS > 0]) - 1.0) + DAY_MEAN_LAG_H
    pace = np.exp(PACE_LOG_SD * np.array([-1.645, -0.842, 0.0, 0.842, 1.645]))
    share = np.array([0.1, 0.2, 0.4, 0.2, 0.1])
    hours = (to_go[falling][:, None] * pace).ravel()
    weight = (growing[falling][:, None] * share).ravel()
    return _Crossings(hours, weight)


def _quantile(crossings: _Crossings, level: float) -> float:
    order = np.argsort(crossings.hours_to_go)
    below = np.cumsum(crossings.weight[order])
    at = int(np.searchsorted(below, level * below[-1]))
    return float(crossings.hours_to_go[order[min(at, len(order) - 1)]])

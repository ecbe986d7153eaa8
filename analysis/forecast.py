"""When the day's mean of a drifting branch leaves its target: the date, with an interval that carries what is not known.

What causes the change is taken to go on growing as it has: a bed's resistance, a pump's lack of head; how the flow
follows is the network's. Every course that the readings leave possible (analysis.detection.growth) gives a crossing; the
forecast is the spread of these crossings, weighed as the evidence weighs them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.assessment import FaultKind, Forecast, MediaLife
from analysis.detection.change import Change
from analysis.detection.growth import Growth, path_of
from analysis.detection.regimes import regime_at
from analysis.detection.verdict import Verdict
from analysis.frames import HOUR_S, Floats
from analysis.watching import Watched

LEVELS = (0.05, 0.5, 0.95)
# Nobody plans by a date that may lie beyond this.
FARTHEST_H = 24 * 90
STILL = 1e-4
LEAST_DRIFT_PROBABILITY = 0.5
# A branch counts as below its target once the mean of a day is, which trails the flow by half a day.
DAY_H = 24.0
DAY_MEAN_LAG_H = 12.0
# Spread of the first day below the limit: as a share of the time in which the fall makes up one standard deviation of
# the day's mean, and by the hours of that day. Tuned on simulated plants (tests/bench).
PASSAGE_SHARE, PASSAGE_SD_H = 0.6, 3.0
LARGEST_LOG_SD = 1.0
# How much one filling of a branch's media differs from the next in how long it lasts (log). Common practice, no source.
LIFE_LOG_SD = 0.3
# The past does not rule out what the readings say, however far the two are apart.
FARTHEST = 40.0
# Five points of a normal distribution and their shares.
NODES = np.array([-1.645, -0.842, 0.0, 0.842, 1.645])
NODE_WEIGHTS = np.array([0.1, 0.2, 0.4, 0.2, 0.1])


@dataclass(frozen=True, slots=True)
class _Crossings:
    hours_to_go: Floats
    weight: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """When a run may leave its target, as seen at a time; `own`: whether the leading cause lies in the run itself."""

    run: str
    at_s: int
    own: bool
    crossings: _Crossings


def standing_of(watched: Watched, change: Change) -> tuple[Outlook, ...]:
    """Of a change that lasts, at its latest verdict."""
    return _outlooks(watched, change.latest, watched.watch.growth(change)) if change.open else ()


def history_of(watched: Watched, change: Change) -> tuple[Outlook, ...]:
    """Of a change at every verdict that was noted, in order."""
    return tuple(outlook for verdict in change.noted for outlook in _outlooks(watched, verdict, verdict.growth))


def foretold(outlooks: Iterable[Outlook], lives: Sequence[MediaLife] = ()) -> tuple[Forecast, ...]:
    """The forecasts, each by how long media had lasted by then; one that may lie too far ahead is none."""
    made = (_foretold(outlook, lives) for outlook in outlooks)
    return tuple(forecast for forecast in made if forecast is not None)


def _foretold(outlook: Outlook, lives: Sequence[MediaLife]) -> Forecast | None:
    crossings, at_s = outlook.crossings, outlook.at_s
    if outlook.own:
        begun = [life for life in lives if life.run == outlook.run and life.from_s <= at_s]
        crossings = _as_before(crossings, at_s, begun)
    low, middle, high = _quantiles(crossings)
    if high > FARTHEST_H:
        return None
    return Forecast(
        made_at_s=at_s,
        run=outlook.run,
        below_target_at_s=int(at_s + middle * HOUR_S),
        low_s=int(at_s + low * HOUR_S),
        high_s=int(at_s + high * HOUR_S),
    )


def _outlooks(watched: Watched, verdict: Verdict, growth: Growth) -> tuple[Outlook, ...]:
    """One for every branch that a growing change drives out of its target."""
    leader = watched.signatures.faults[verdict.top]
    if verdict.sudden or leader.kind is FaultKind.METER or not growth.weight.size:
        return ()
    made = (_outlook(watched, verdict, growth, name) for name in watched.signatures.runs)
    return tuple(outlook for outlook in made if outlook is not None)


def _outlook(watched: Watched, verdict: Verdict, growth: Growth, name: str) -> Outlook | None:
    record = next(branch for branch in watched.plant.runs if branch.name == name)
    if record.target is None or record.target.low_m3s is None or record.meter not in watched.baseline.meters:
        return None
    column = watched.baseline.meters.index(record.meter)
    limit = float(
        np.log(record.target.low_m3s / watched.baseline.flow_m3s[column]) - watched.shift[verdict.hour, column]
    )
    crossings = _crossings(watched, verdict.hour, growth, column, limit)
    if crossings is None:
        return None
    return Outlook(
        run=name,
        at_s=watched.told_at_s(verdict.hour, verdict.part),
        own=watched.signatures.faults[verdict.top].subject == name,
        crossings=crossings,
    )


def _crossings(watched: Watched, hour: int, growth: Growth, column: int, limit: float) -> _Crossings | None:
    """Hours to go until the reading's change reaches the limit, for every course.

    None where that is not likely, or more likely already so.
    """
    hypotheses = regime_at(watched.watch.regimes, hour).hypotheses
    falling = -np.eye(len(watched.signatures.readings))[column]
    to_go, fall = np.full((2, len(growth.weight)), np.nan)
    there = 0.0
    for fault in np.unique(growth.fault).tolist():
        path = path_of(hypotheses, fault, falling)
        if path is None or path[1][-1] < -limit:
            continue  # not even all of it brings this run so low
        own = growth.fault == fault
        wanted = np.expm1(np.interp(-limit, path[1], path[0]))
        age_h = hour + 1.0 - growth.begin_h[own]
        ratio = wanted / growth.load[own]
        to_go[own] = age_h * (np.maximum(ratio, 1.0) ** (1.0 / growth.power[own]) - 1.0)
        fall[own] = np.maximum(-limit - np.interp(np.log1p(growth.load[own]), path[0], path[1]), 0.0)
        there += float(growth.weight[own][ratio <= 1.0].sum())
    able = np.isfinite(to_go)
    share = float(growth.weight[able].sum())
    if share < LEAST_DRIFT_PROBABILITY or there > LEAST_DRIFT_PROBABILITY * share:
        return None
    return _unsteady(to_go[able], fall[able], growth.weight[able], float(growth.day_sd[column]))


def _unsteady(to_go: Floats, fall: Floats, weight: Floats, day_sd: float) -> _Crossings:
    """The crossings [N] spread by what is not steady, the day's mean about the fall.

    A mean that wanders about a slow fall is below the limit for the first time before the fall itself is: the slower
    the fall, the more often it has the chance.
    """
    slope = np.maximum(fall, STILL) / np.maximum(to_go, 1.0)
    wander_h = day_sd / slope
    early_h = 0.5 * wander_h * np.log1p(4.0 * wander_h / DAY_H)
    middle = np.maximum(to_go + DAY_MEAN_LAG_H - early_h, 1.0)
    log_sd = np.hypot(PASSAGE_SHARE * wander_h, PASSAGE_SD_H) / middle
    hours = middle[:, None] * np.exp(np.minimum(log_sd, LARGEST_LOG_SD)[:, None] * NODES)
    return _Crossings(hours.ravel(), (weight[:, None] * NODE_WEIGHTS).ravel())


def _as_before(crossings: _Crossings, at_s: int, lives: Sequence[MediaLife]) -> _Crossings:
    """The crossings [N] weighed by how long this branch's media lasted before; `lives` in order, begun by `at_s`."""
    past = [life.useful_s for life in lives if life.whole and life.useful_s and life.to_s and life.to_s <= at_s]
    if not past or not lives[-1].whole:
        return crossings
    apart = np.log((at_s - lives[-1].from_s) + crossings.hours_to_go * HOUR_S) - np.mean(np.log(past))
    sd = LIFE_LOG_SD * np.sqrt(1.0 + 1.0 / len(past))
    return _Crossings(crossings.hours_to_go, crossings.weight * np.exp(-0.5 * np.minimum((apart / sd) ** 2, FARTHEST)))


def _quantiles(crossings: _Crossings) -> tuple[float, ...]:
    """The hours to go at LEVELS of the crossings' weight."""
    order = np.argsort(crossings.hours_to_go)
    below = np.cumsum(crossings.weight[order])
    at = np.minimum(np.searchsorted(below, np.array(LEVELS) * below[-1]), len(order) - 1)
    return tuple(crossings.hours_to_go[order[at]].tolist())

"""When the day's mean of a drifting branch leaves its target: the date, with an interval that carries what is not known.

What causes the change is taken to go on growing in the shape that it has shown: a bed's resistance, a pump's lack of
head; how the flow follows is the network's. Every onset, shape, size and cause that the readings leave possible gives a
crossing; the forecast is the spread of these crossings, weighed as the evidence weighs them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.assessment import FaultKind, Forecast, MediaLife
from analysis.detection.bank import POWERS
from analysis.detection.change import Change
from analysis.detection.regimes import regime_at
from analysis.detection.verdict import Verdict
from analysis.frames import HOUR_S, Floats
from analysis.watching import Watched

LEVELS = (0.05, 0.5, 0.95)
# Beyond this nobody plans by a forecast.
FARTHEST_H = 24 * 90
STILL = 1e-4
LEAST_DRIFT_PROBABILITY = 0.5
# A branch counts as below its target once the mean of a day is, which trails the flow by half a day.
DAY_H = 24.0
DAY_MEAN_LAG_H = 12.0
# What stands behind the shown growth may itself change: spread (log) of the time still to go. Common practice, no
# source.
PACE_LOG_SD = 0.25


# By which power of time the load grows in each of the bank's ramps.
LOAD_POWERS = np.array([1.0, 2.0])
# A fault less probable than this says nothing of the date.
LEAST_PROBABILITY = 0.05
# Spread of the first day below the limit, as a share of the time in which the fall makes up one standard deviation of
# the day's mean.
PASSAGE_SHARE = 0.6
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
    return _outlooks(watched, change.latest) if change.open else ()


def history_of(watched: Watched, change: Change) -> tuple[Outlook, ...]:
    """Of a change at every verdict that was noted, in order."""
    return tuple(outlook for verdict in change.noted for outlook in _outlooks(watched, verdict))


def foretold(outlooks: Iterable[Outlook], lives: Sequence[MediaLife] = ()) -> tuple[Forecast, ...]:
    """The forecasts, each by how long media had lasted by then; what lies too far ahead is none."""
    made = (_foretold(outlook, lives) for outlook in outlooks)
    return tuple(forecast for forecast in made if forecast is not None)


def _foretold(outlook: Outlook, lives: Sequence[MediaLife]) -> Forecast | None:
    crossings, at_s = outlook.crossings, outlook.at_s
    if outlook.own:
        begun = [life for life in lives if life.run == outlook.run and life.from_s <= at_s]
        crossings = _as_before(crossings, at_s, begun)
    low, middle, high = _quantiles(crossings)
    if middle > FARTHEST_H:
        return None
    return Forecast(
        made_at_s=at_s,
        run=outlook.run,
        below_target_at_s=int(at_s + middle * HOUR_S),
        low_s=int(at_s + low * HOUR_S),
        high_s=int(at_s + high * HOUR_S),
    )


def _outlooks(watched: Watched, verdict: Verdict) -> tuple[Outlook, ...]:
    """One for every branch that a growing change drives out of its target."""
    leader = watched.signatures.faults[verdict.top]
    if 1.0 - verdict.step < LEAST_DRIFT_PROBABILITY or leader.kind is FaultKind.METER:
        return ()
    made = (_outlook(watched, verdict, name) for name in watched.signatures.runs)
    return tuple(outlook for outlook in made if outlook is not None)


def _outlook(watched: Watched, verdict: Verdict, name: str) -> Outlook | None:
    record = next(branch for branch in watched.plant.runs if branch.name == name)
    if record.target is None or record.target.low_m3s is None or record.meter not in watched.baseline.meters:
        return None
    column = watched.baseline.meters.index(record.meter)
    limit = float(
        np.log(record.target.low_m3s / watched.baseline.flow_m3s[column]) - watched.shift[verdict.hour, column]
    )
    if float(verdict.expected[column]) <= limit:
        return None
    crossings = _crossings(watched, verdict, column, limit)
    if crossings is None:
        return None
    return Outlook(
        run=name,
        at_s=watched.told_at_s(verdict.hour, verdict.part),
        own=watched.signatures.faults[verdict.top].subject == name,
        crossings=crossings,
    )


def _crossings(watched: Watched, verdict: Verdict, column: int, limit: float) -> _Crossings | None:
    """Hours to go until the reading's change reaches the limit, for every growing onset, shape and likely fault."""
    growing = verdict.by_onset.weight[:, POWERS > 0]
    size = verdict.by_onset.change[:, POWERS > 0, column]
    age_h = (verdict.hour - verdict.by_onset.onset_h + 1.0)[:, None]
    falling = (size < -STILL) & (growing > 0)
    if growing.sum() <= 0 or growing[falling].sum() < LEAST_DRIFT_PROBABILITY * growing.sum():
        return None
    hours, weight = [], []
    for fault in np.flatnonzero(verdict.probability >= LEAST_PROBABILITY).tolist():
        course = _course(watched, verdict.hour, fault, column)
        if course is None or limit < -course[1][-1]:
            continue  # not even all of it brings this run so low
        reached, wanted = (np.interp(-to, course[1], course[0]) for to in (size, limit))
        ratio = wanted / np.where(falling, np.maximum(reached, STILL), np.inf)
        to_go = age_h * (np.maximum(ratio, 1.0) ** (1.0 / LOAD_POWERS) - 1.0)
        hours.append(to_go[falling])
        weight.append(verdict.probability[fault] * growing[falling])
    if not hours:
        return None
    to_go = np.concatenate(hours)
    fall = np.tile((size - limit)[falling], len(hours))
    return _unsteady(to_go, fall, np.concatenate(weight), _day_sd(watched, column))


def _course(watched: Watched, hour: int, fault: int, column: int) -> tuple[Floats, Floats] | None:
    """Loads [n], rising, and how far the reading has fallen with each; None for a fault that lets it rise."""
    hypotheses = regime_at(watched.watch.regimes, hour).hypotheses
    own = np.flatnonzero((hypotheses.owner == fault) & (watched.signatures.load > 0))
    load, fallen = watched.signatures.load[own], -hypotheses.patterns[own, column]
    order = np.argsort(load)
    load, fallen = np.append(0.0, load[order]), np.append(0.0, fallen[order])
    deeper = np.append(np.True_, np.diff(np.maximum.accumulate(fallen)) > 0)
    return (load[deeper], fallen[deeper]) if deeper.sum() > 1 else None


def _day_sd(watched: Watched, column: int) -> float:
    """How far the mean of a day wanders with speed, sump and warmth: log flow, standard deviation."""
    model = watched.watch.model
    days = DAY_H / model.common_tau_h
    kept = 2.0 * (days - 1.0 + np.exp(-days)) / days**2
    return float(np.sqrt(np.sum((model.common_signature[column] * model.common_sd) ** 2 * kept)))


def _unsteady(to_go: Floats, fall: Floats, weight: Floats, day_sd: float) -> _Crossings:
    """The crossings [N] spread by what is not steady: the pace of the growth, and the day's mean about it.

    A mean that wanders about a slow fall is below the limit for the first time before the fall itself is: the slower
    the fall, the more often it has the chance.
    """
    slope = np.maximum(fall, STILL) / np.maximum(to_go, 1.0)
    wander_h = day_sd / slope
    early_h = 0.5 * wander_h * np.log1p(4.0 * wander_h / DAY_H)
    middle = np.maximum(to_go + DAY_MEAN_LAG_H - early_h, 1.0)
    log_sd = np.hypot(PACE_LOG_SD, PASSAGE_SHARE * wander_h / middle)
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

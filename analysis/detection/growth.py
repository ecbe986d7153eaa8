"""How a change grows: every course of its load that the readings since before its onset leave possible.

The bank asks whether something changed, in a few shapes that are linear in the readings. For a date that is too rough:
what grows steadily is a bed's resistance or the head that a pump lacks, and the flow follows it by the network. Here
the readings are seen along the fault's own pattern, one number for every few hours, and courses

    load(t) = load now * ((t - begin) / age)^power

of every beginning, power and present load are weighed by the likelihood of those numbers under the noise as it was
learned: Gaussian with the covariance of the filter's states, written out.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.detection.noise import NoiseModel
from analysis.detection.posterior import Hypotheses
from analysis.detection.regimes import Touch
from analysis.detection.whitener import FilterState
from analysis.frames import Floats, Ints

# A fault less probable than this says nothing of the date.
LEAST_PROBABILITY = 0.05
# Readings count by means of this many hours, or of more where there are many.
BLOCK_H, MOST_BLOCKS = 6, 64
# Fewer numbers than this have no course.
LEAST_BLOCKS = 3
# A meter counts if it was seen in so large a share of the hours, and of the last day; a block by a share of its own.
SEEN_SHARE, SEEN_LATELY, SEEN_IN_BLOCK = 0.8, 0.5, 0.3
# Variance of a median over that of a mean, of normal values.
MEDIAN_VAR = np.pi / 2.0
# By which power of time loads grow, and how often: most evenly, some quickening, a few slowing. Common practice, no
# source.
POWERS: Floats = np.array([0.8, 1.0, 1.25, 1.5, 2.0])
POWER_SHARE: Floats = np.array([0.1, 0.36, 0.18, 0.18, 0.18])
BEGINNINGS, LEVELS = 16, 21
# The present load is sought within so many standard deviations of what the last hours show, and a share of it more, which
# it may have grown within them; and not below a share of the most.
LAST_H = 12
LEVEL_SD, LEVEL_ROOM, LEAST_LEVEL = 4.0, 0.3, 0.02
DAY_H = 24
STILL = 1e-4
# Courses of less weight than this, as a share of the heaviest, are dropped; so many are kept of the others, which stand
# for the load some days ahead.
LEAST_WEIGHT = 3e-3
MOST_COURSES, AHEAD_H = 256, 72.0


@dataclass(frozen=True, slots=True)
class Growth:
    """N courses of the load, by weight; the weights sum to 1, or N is 0 where no course is known.

    Attributes:
        fault: [N] the hypothesis. begin_h: [N] hours from the start when the load was still none. power: [N].
        load: [N] at the end of the hour judged. weight: [N].
        day_sd: [M] how far the mean of a day wanders by what is common to all readings: log, standard deviation.
    """

    fault: Ints
    begin_h: Floats
    power: Floats
    load: Floats
    weight: Floats
    day_sd: Floats


NO_GROWTH = Growth(np.zeros(0, np.int64), *(np.zeros(0) for _ in range(5)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """The hours since before a change.

    Attributes:
        before_h, before: the healthy filter and its hour. readings: [T, M] of the hours after it, what other changes
            explain taken off.
        touches: journalled work in them. model: the noise.
    """

    before_h: int
    before: FilterState
    readings: Floats
    touches: Sequence[Touch]
    model: NoiseModel


def growth_of(since: Since, hypotheses: Hypotheses, probability: Floats, change: Floats) -> Growth:
    """The courses of every likely fault.

    Args:
        since: the hours of the change.
        hypotheses: the faults, with their loads.
        probability: [H] of each.
        change: [H, M] mean change of the readings under each.
    """
    found = [
        (probability[fault], courses)
        for fault in np.flatnonzero(probability >= LEAST_PROBABILITY).tolist()
        if (courses := _courses(since, hypotheses, fault, change[fault])) is not None
    ]
    if not found:
        return NO_GROWTH
    end_h = since.before_h + 1.0 + len(since.readings)
    fault, begin_h, power, load, weight = (
        np.concatenate(columns)
        for columns in zip(
            *((one.fault, one.begin_h, one.power, one.load, share * one.weight) for share, one in found), strict=True
        )
    )
    ahead = np.log(load) + power * np.log1p(AHEAD_H / (end_h - begin_h))
    some = _some(weight / weight.sum(), np.lexsort((ahead, fault)))
    even = np.full(len(some), 1.0 / len(some))
    return Growth(fault[some], begin_h[some], power[some], load[some], even, _day_sd(since.model))


def _some(weight: Floats, order: Ints) -> Ints:
    """[MOST_COURSES] of all by their weights, evenly along an order (systematic resampling): a verdict is kept for years."""
    below = np.cumsum(weight[order])
    at = (np.arange(MOST_COURSES) + 0.5) / MOST_COURSES * below[-1]
    some: Ints = order[np.minimum(np.searchsorted(below, at), len(order) - 1)]
    return some


def _day_sd(model: NoiseModel) -> Floats:
    days = DAY_H / model.common_tau_h
    kept = 2.0 * (days - 1.0 + np.exp(-days)) / days**2
    variance: Floats = np.sum((model.common_signature * model.common_sd) ** 2 * kept, axis=1)
    return np.sqrt(variance)


def path_of(hypotheses: Hypotheses, fault: int, along: Floats) -> tuple[Floats, Floats] | None:
    """Log loads [n] (log1p), rising from none, and how far the readings have moved `along` [M] with each.

    Between two solved loads a path is straight in the log: so a lone resistance moves its log flow.

    Returns:
        None for a fault that does not move them that way, or has no loads.
    """
    if hypotheses.load is None:
        return None
    own = np.flatnonzero((hypotheses.owner == fault) & (hypotheses.load > 0))
    load, moved = hypotheses.load[own], hypotheses.patterns[own] @ along
    order = np.argsort(load)
    load, moved = np.append(0.0, load[order]), np.append(0.0, moved[order])
    farther = np.append(np.True_, np.diff(np.maximum.accumulate(moved)) > 0)
    return (np.log1p(load[farther]), moved[farther]) if farther.sum() > 1 else None


@dataclass(frozen=True, slots=True)
class _Seen:
    """Blocks of hours as seen along a pattern: middles [B] in hours from the start, how far moved [B], covariance [B, B]."""

    at_h: Floats
    moved: Floats
    cov: Floats


@dataclass(frozen=True, slots=True)
class _Courses:
    fault: Ints
    begin_h: Floats
    power: Floats
    load: Floats
    weight: Floats


def _courses(since: Since, hypotheses: Hypotheses, fault: int, change: Floats) -> _Courses | None:
    """The courses of one fault, which has changed the readings by [M]; None where they show none."""
    if len(since.readings) < LEAST_BLOCKS * BLOCK_H:
        return None
    seen_in = np.isfinite(since.readings)
    there = seen_in.mean(axis=0) >= SEEN_SHARE
    lately = there & (seen_in[-DAY_H:].mean(axis=0) >= SEEN_LATELY)
    there = lately if lately.any() else there
    if not (np.abs(change[there]) > STILL).any():
        return None
    along = _weights(since, change, there)
    path, seen = path_of(hypotheses, fault, along), _seen(since, along, there)
    if path is None or len(seen.at_h) < LEAST_BLOCKS:
        return None
    return _refined(seen, path, fault, since.before_h + 1.0, float(since.before_h + 1 + len(since.readings)))


def _refined(seen: _Seen, path: tuple[Floats, Floats], fault: int, first_h: float, end_h: float) -> _Courses:
    """The courses from `first_h` to `end_h` on a grid over all that may be, and on a finer one where the weight lies.

    They are laid through the level that was reached when the readings were last seen.
    """
    last_h = float(seen.at_h[-1])
    begins = np.linspace(first_h, last_h - BLOCK_H, BEGINNINGS)
    levels = _levels(seen)
    whiten = np.linalg.inv(np.linalg.cholesky(seen.cov)).T
    for last in (False, True):
        begin_h, power, level = (axis.ravel() for axis in np.meshgrid(begins, POWERS, levels, indexing="ij"))
        reached = np.expm1(np.interp(level, path[1], path[0]))
        age = np.maximum(seen.at_h - begin_h[:, None], 0.0) / (last_h - begin_h)[:, None]  # [N, B]
        expected = np.interp(np.log1p(reached[:, None] * age ** power[:, None]), path[0], path[1])
        apart = (seen.moved - expected) @ whiten
        log_weight = np.log(np.interp(power, POWERS, POWER_SHARE)) - 0.5 * np.einsum("nb,nb->n", apart, apart)
        weight = np.exp(log_weight - log_weight.max())
        heavy = weight >= LEAST_WEIGHT
        if not last:
            begins, levels = _finer(begins, begin_h[heavy]), _finer(levels, level[heavy])
    load = reached * ((end_h - begin_h) / (last_h - begin_h)) ** power
    known = (begin_h[heavy], power[heavy], load[heavy], weight[heavy] / weight[heavy].sum())
    return _Courses(np.full(heavy.sum(), fault), *known)


def _finer(grid: Floats, kept: Floats) -> Floats:
    """As many points over what was kept of a grid, and one step to either side."""
    step = grid[1] - grid[0]
    return np.linspace(max(kept.min() - step, grid[0]), min(kept.max() + step, grid[-1]), len(grid))


def _weights(since: Since, change: Floats, there: NDArray[np.bool_]) -> Floats:
    """[M] weights that find a change's size best from readings of a day: 1 for the change itself; 0 where not there.

    By what wanders: what is not known of the level before is the same in every hour, and for the likelihood to weigh.
    """
    model = since.model
    view, wander = model.view[:, model.meters :], model.stationary_var[model.meters :]
    cov = (view * wander) @ view.T + np.diag(model.white_sd**2 / DAY_H)
    own = np.flatnonzero(there)
    solved = np.linalg.solve(cov[np.ix_(own, own)], change[own])
    along = np.zeros(model.meters)
    along[own] = solved / (change[own] @ solved)
    return along


def _seen(since: Since, along: Floats, there: NDArray[np.bool_]) -> _Seen:
    """The readings of meters [M] that were there, `along` [M], block by block: the median of each, which no stray moves."""
    hours, model = len(since.readings), since.model
    length = max(BLOCK_H, -(-hours // MOST_BLOCKS))
    count = hours // length
    skipped = hours - count * length
    whole = since.readings[skipped:].reshape(count, length, -1)
    counted = np.isfinite(whole).sum(axis=1)  # [B, M]
    used = np.flatnonzero((counted[:, there] >= SEEN_IN_BLOCK * length).all(axis=1))
    at_h = since.before_h + 1 + skipped + length * (used.astype(np.float64) + 0.5)
    later = at_h - 0.5 - since.before_h  # steps of the filter
    view = (along @ model.view) * model.memory ** later[:, None]  # [B, n]
    middle = np.zeros((len(used), len(along)))
    middle[:, there] = np.nanmedian(whole[used][:, :, there], axis=1)
    white = MEDIAN_VAR * ((along * model.white_sd) ** 2 / np.maximum(counted[used], 1)).sum(axis=1)
    cov = _fresh(model, along, later, length) + np.diag(white)
    cov = np.add(cov, view @ since.before.cov @ view.T, dtype=np.float64)
    for touch in since.touches:
        after = np.where(later >= touch.hour - since.before_h, float(along @ touch.move), 0.0)
        cov += np.outer(after, after)
    return _Seen(at_h, middle @ along - view @ since.before.mean, cov)


def _fresh(model: NoiseModel, along: Floats, later: Floats, length: int) -> Floats:
    """[B, B] covariance of what the states have gathered, so many hours [B] after they were known, in blocks of a length.

    Of an AR(1), m^lag between two hours, the means of two blocks hang together by m^(lag of their middles) times the
    square of its mean over a block, and of one block by its mean over all pairs of hours.
    """
    meters = model.meters
    share = (along @ model.view) ** 2
    earlier = np.minimum(later[:, None], later[None, :])
    apart = np.abs(later[:, None] - later[None, :])
    hours = np.arange(length) - 0.5 * (length - 1)
    pairs = np.abs(hours[:, None] - hours[None, :])
    walk = earlier * float(share[:meters] @ model.fresh_var[:meters])
    parts = (
        part
        * variance
        * np.where(apart > 0, memory**apart * np.mean(memory**hours) ** 2, np.mean(memory**pairs))
        * (1.0 - memory ** (2.0 * earlier))
        for part, memory, variance in zip(
            share[meters:], model.memory[meters:], model.stationary_var[meters:], strict=True
        )
    )
    total: Floats = np.sum([walk, *parts], axis=0)
    return total


def _levels(seen: _Seen) -> Floats:
    """[LEVELS] how far the readings may have moved when they were last seen, by their last hours."""
    last = seen.at_h >= seen.at_h[-1] - LAST_H + BLOCK_H
    mean = float(seen.moved[last].mean())
    sd = float(np.sqrt(seen.cov[np.ix_(last, last)].mean()))
    high = max(mean + LEVEL_ROOM * abs(mean) + LEVEL_SD * sd, STILL)
    return np.linspace(max(mean - LEVEL_SD * sd, LEAST_LEVEL * high), high, LEVELS)

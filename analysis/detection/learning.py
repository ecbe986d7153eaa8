"""Learn the noise of a plant from its healthy days: a noise model on the restless side of the most probable one.

A few days hold only a handful of independent samples of a wander that lasts a day or two, so the likelihood alone
would trust its luck; the prior keeps what the days do not show. What neither shows well is taken for restless: a wander
thought too small raises alarms for nothing, one thought too large costs some hours. The prior's middle values are
common practice for small paddle-wheel meters and hobby pumps, no source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.detection.noise import CREEP_SD, OFFSET_SD, NoiseModel
from analysis.frames import Floats

PRIOR_WHITE_SD = (0.001, 1.0)
PRIOR_WANDER_SD = (0.011, 0.45)
PRIOR_WANDER_TAU_H = (25.0, 0.8)
PRIOR_COMMON_TAU_H = (20.0, 0.8)
PRIOR_COMMON_LOG_SD = 0.7
# How many standard deviations of what is known of them the wanders are taken to be larger and longer than most probable.
# Tuned on simulated plants (tests/bench).
CAUTION_SDS = 0.5
ITERATIONS = 12
PROBE = 0.15
LARGEST_MOVE = 0.7


@dataclass(frozen=True, slots=True)
class _Prior:
    """Normal priors of the logs of all parameters: [D] each."""

    middle: Floats
    sd: Floats


def _prior(model: NoiseModel) -> _Prior:
    meters, commons = model.meters, len(model.common_sd)
    rows = [
        *[PRIOR_WHITE_SD] * meters,
        *[(float(sd), PRIOR_WANDER_SD[1]) for sd in model.wander_sd],
        *[PRIOR_WANDER_TAU_H] * meters,
        *[(float(sd), PRIOR_COMMON_LOG_SD) for sd in model.common_sd],
        *[PRIOR_COMMON_TAU_H] * commons,
    ]
    return _Prior(np.log([row[0] for row in rows]), np.array([row[1] for row in rows]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Healthy:
    """Healthy hours to learn from.

    Attributes:
        readings: [T, M] log flow over commissioned flow, nan where unseen or not to be learned from.
        share: [T, M] share of the hour behind each reading, 0..1.
        signature: [T, M, C] of the common parts in each hour.
        moved: by hour, [k, n] what may have moved the states then: each row one standard deviation of a move.
    """

    readings: Floats
    share: Floats
    signature: Floats
    moved: Mapping[int, Floats]


def first_guess(
    common_signature: Floats, common_sd: Floats, common_jump_sd: Floats, *, gauge_wander_sd: Sequence[float] = ()
) -> NoiseModel:
    """The prior's middle: M meters, the last of them gauges, by C common parts of the given signature [M, C].

    `common_sd` and `common_jump_sd` [C] are their usual size and jump, `gauge_wander_sd` how each gauge wanders.
    """
    meters, commons = common_signature.shape
    wander = np.full(meters, PRIOR_WANDER_SD[0])
    wander[meters - len(gauge_wander_sd) :] = gauge_wander_sd
    return NoiseModel(
        white_sd=np.full(meters, PRIOR_WHITE_SD[0]),
        wander_sd=wander,
        wander_tau_h=np.full(meters, PRIOR_WANDER_TAU_H[0]),
        common_signature=common_signature,
        common_sd=np.asarray(common_sd, float),
        common_tau_h=np.full(commons, PRIOR_COMMON_TAU_H[0]),
        common_jump_sd=np.asarray(common_jump_sd, float),
    )


def learn_noise(readings: Floats, share: Floats, guess: NoiseModel) -> NoiseModel:
    """The noise model of days in which nothing moved.

    Args:
        readings: [T, M] log flow over commissioned flow in healthy hours, nan where unseen.
        share: [T, M] share of the hour behind each reading, 0..1.
        guess: signatures of the common parts and the middle of the prior.

    Returns:
        A noise model with the guess's signatures.
    """
    signature = np.broadcast_to(guess.common_signature, (len(readings), *guess.common_signature.shape))
    return learn_more(Healthy(readings=readings, share=share, signature=signature, moved={}), guess, guess)


def learn_more(healthy: Healthy, guess: NoiseModel, known: NoiseModel) -> NoiseModel:
    """The noise model of healthy hours: the most probable one, and from there to the restless side.

    Args:
        healthy: hours to learn from.
        guess: the middle of the prior.
        known: where to begin: what fewer hours told.

    Returns:
        A noise model with the guess's signatures.
    """
    prior = _prior(guess)
    point = _as_point(known)
    value = _log_posterior(point[None], healthy, guess, prior)[0]
    curve = 1.0 / prior.sd**2
    for _ in range(ITERATIONS):
        slope, curve = _slope_and_curve(point, value, healthy, guess, prior)
        move = np.clip(slope / curve, -LARGEST_MOVE, LARGEST_MOVE)
        trials = point + np.array([1.0, 0.5, 0.25, 0.1])[:, None] * move
        results = _log_posterior(trials, healthy, guess, prior)
        best = int(np.argmax(results))
        if results[best] < value + 0.02:
            break
        point, value = trials[best], results[best]
    wanders = np.arange(len(point)) >= guess.meters  # all but the white noise, of which every hour tells
    return _as_model(point + CAUTION_SDS * wanders / np.sqrt(curve), guess)


def _slope_and_curve(
    point: Floats, value: float, healthy: Healthy, guess: NoiseModel, prior: _Prior
) -> tuple[Floats, Floats]:
    """[D] slope of the log posterior, and how sharply it is curved down, no less than the prior."""
    steps = PROBE * np.eye(len(point))
    values = _log_posterior(np.concatenate([point + steps, point - steps]), healthy, guess, prior)
    up, down = values[: len(point)], values[len(point) :]
    return (up - down) / (2 * PROBE), np.maximum((2 * value - up - down) / PROBE**2, 1.0 / prior.sd**2)


def _as_point(model: NoiseModel) -> Floats:
    """[D] the logs of what is learned of a model."""
    learned = (model.white_sd, model.wander_sd, model.wander_tau_h, model.common_sd, model.common_tau_h)
    return np.log(np.concatenate(learned))


def _as_model(point: Floats, guess: NoiseModel) -> NoiseModel:
    meters, commons = guess.meters, len(guess.common_sd)
    white, wander, tau, common, common_tau = np.split(np.exp(point), np.cumsum([meters, meters, meters, commons]))
    return replace(guess, white_sd=white, wander_sd=wander, wander_tau_h=tau, common_sd=common, common_tau_h=common_tau)


def _log_posterior(points: Floats, healthy: Healthy, guess: NoiseModel, prior: _Prior) -> Floats:
    """[B] log posterior, up to a constant, of B parameter sets at once."""
    penalty = 0.5 * np.sum(((points - prior.middle) / prior.sd) ** 2, axis=1)
    value: Floats = _log_likelihood(np.exp(points), healthy, guess) - penalty
    return value


def _log_likelihood(params: Floats, healthy: Healthy, guess: NoiseModel) -> Floats:
    """[B] innovations form of the likelihood: the whitening filter, for B parameter sets at once."""
    meters, commons = guess.meters, len(guess.common_sd)
    batch = len(params)
    white, wander, tau, common, common_tau = np.split(params, np.cumsum([meters, meters, meters, commons]), axis=1)
    memory = np.concatenate([np.ones((batch, meters)), np.exp(-1 / tau), np.exp(-1 / common_tau)], axis=1)
    still = np.concatenate([np.full((batch, meters), OFFSET_SD**2), wander**2, common**2], axis=1)
    fresh = still * (1 - memory**2)
    fresh[:, :meters] = CREEP_SD**2
    eyes = np.hstack([np.eye(meters), np.eye(meters)])
    diagonal = np.arange(guess.states)
    own = np.arange(meters)
    mean = np.zeros((batch, guess.states))
    cov = np.zeros((batch, guess.states, guess.states))
    cov[:, diagonal, diagonal] = still
    total = np.zeros(batch)
    for hour, (row, part) in enumerate(zip(healthy.readings, healthy.share, strict=True)):
        mean = memory * mean
        cov = memory[:, :, None] * cov * memory[:, None, :]
        cov[:, diagonal, diagonal] += fresh
        if hour in healthy.moved:
            cov += healthy.moved[hour].T @ healthy.moved[hour]
        seen = np.flatnonzero(np.isfinite(row))
        if len(seen) == 0:
            continue
        look = np.hstack([eyes[seen], healthy.signature[hour, seen]])
        shown = look @ cov
        spread = shown @ look.T
        spread[:, own[: len(seen)], own[: len(seen)]] += white[:, seen] ** 2 / np.clip(part[seen], 0.02, 1.0)
        surprise = row[seen] - mean @ look.T
        solved = np.linalg.solve(spread, np.concatenate([surprise[:, :, None], shown], axis=2))
        total -= 0.5 * (np.sum(surprise * solved[:, :, 0], axis=1) + np.linalg.slogdet(spread)[1])
        mean = mean + np.einsum("bsn,bs->bn", solved[:, :, 1:], surprise)
        cov = cov - np.swapaxes(shown, 1, 2) @ solved[:, :, 1:]
        cov = 0.5 * (cov + np.swapaxes(cov, 1, 2))
    return total

"""Learn the noise of a plant from its healthy days: a noise model on the restless side of the most probable one.

A few days hold only a handful of independent samples of a wander that lasts a day or two, so the likelihood alone
would trust its luck; the prior keeps what the days do not show. A restless plant is restless in most of its meters and
in its common parts: what one of them shows says something of the others (a normal prior of the logs with one common
factor). What neither shows well is taken for restless: a wander thought too small raises alarms for nothing, one
thought too large costs some hours. The prior's middle values are common practice for small paddle-wheel meters and
hobby pumps, no source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.detection.batch import update_all
from analysis.detection.noise import CREEP_SD, OFFSET_SD, NoiseModel
from analysis.frames import Floats, Ints


@dataclass(frozen=True, slots=True)
class PriorPart:
    """What is usual of one part of the noise.

    Attributes:
        middle: what most have; nan where the guess says it.
        own_sd: how far each is from it by itself, log.
        share: how much of the plant's restlessness it has.
    """

    middle: float
    own_sd: float
    share: float


# How restless one plant is beside another, log, one standard deviation.
RESTLESS_SD = 0.5
WHITE_SD = PriorPart(0.001, 1.0, 0.5)
WANDER_SD = PriorPart(0.011, 0.35, 1.0)
WANDER_TAU_H = PriorPart(16.0, 0.8, 0.5)
COMMON_SD = PriorPart(np.nan, 0.6, 1.0)
COMMON_TAU_H = PriorPart(20.0, 0.7, 0.5)
# How many standard deviations of what is known of it each one's slow wander (its variance times its time constant) is
# taken to be larger than most probable. Tuned on simulated plants (tests/bench).
CAUTION_SDS = 0.5
ITERATIONS = 12
# A step that gains less log posterior than this is the last one.
ENOUGH = 0.3
PROBE = 0.15
LARGEST_MOVE = 0.7


@dataclass(frozen=True, slots=True)
class _Prior:
    """Normal prior of the logs of all parameters: middle [D], precision [D, D]."""

    middle: Floats
    precision: Floats


def _prior(model: NoiseModel) -> _Prior:
    meters, commons = model.meters, len(model.common_sd)
    rows = [
        *[WHITE_SD] * meters,
        *[WANDER_SD] * meters,
        *[WANDER_TAU_H] * meters,
        *[COMMON_SD] * commons,
        *[COMMON_TAU_H] * commons,
    ]
    own = np.array([row.own_sd for row in rows])
    along = RESTLESS_SD * np.array([row.share for row in rows])
    precision: Floats = np.linalg.inv(np.diag(own**2) + np.outer(along, along)).astype(np.float64)
    return _Prior(_as_point(model), precision)


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
    wander = np.full(meters, WANDER_SD.middle)
    wander[meters - len(gauge_wander_sd) :] = gauge_wander_sd
    return NoiseModel(
        white_sd=np.full(meters, WHITE_SD.middle),
        wander_sd=wander,
        wander_tau_h=np.full(meters, WANDER_TAU_H.middle),
        common_signature=common_signature,
        common_sd=np.asarray(common_sd, float),
        common_tau_h=np.full(commons, COMMON_TAU_H.middle),
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
    curve = prior.precision
    for _ in range(ITERATIONS):
        slope, curve = _slope_and_curve(point, healthy, guess, prior)
        move = np.linalg.solve(curve, slope)
        move *= min(1.0, LARGEST_MOVE / np.max(np.abs(move)))
        trials = point + np.array([1.0, 0.5, 0.25, 0.1])[:, None] * move
        results = _log_posterior(trials, healthy, guess, prior)
        best = int(np.argmax(results))
        if results[best] < value + ENOUGH:
            break
        point, value = trials[best], results[best]
    cov: Floats = np.linalg.inv(curve).astype(np.float64)
    return _as_model(point + CAUTION_SDS * _restless_side(cov, guess), guess)


def _wanders(model: NoiseModel) -> tuple[Ints, Ints]:
    """Where the sizes of all wanders, the meters' and the common parts', stand among the parameters, and their times."""
    meters, commons = model.meters, len(model.common_sd)
    size = np.concatenate([meters + np.arange(meters), 3 * meters + np.arange(commons)])
    return size, size + np.repeat([meters, commons], [meters, commons])


def _restless_side(cov: Floats, model: NoiseModel) -> Floats:
    """[D] one standard deviation towards more slow wander, of each wander by its own: cov [D, D] of the logs."""
    size, times = _wanders(model)
    slow = np.array([2.0, 1.0])  # log of variance times time
    side = np.zeros(len(cov))
    for pair in np.stack([size, times], axis=1):
        along = cov[np.ix_(pair, pair)] @ slow
        side[pair] = along / np.sqrt(slow @ along)
    return side


def _slope_and_curve(point: Floats, healthy: Healthy, guess: NoiseModel, prior: _Prior) -> tuple[Floats, Floats]:
    """[D] slope of the log posterior, and how it is curved down [D, D].

    Of the likelihood only each parameter's own curvature is worked out, and that between the size and the time of each
    wander, which trade against one another.
    """
    steps = PROBE * np.eye(len(point))
    size, times = _wanders(guess)
    probes = np.concatenate([np.zeros((1, len(point))), steps, -steps, steps[size] + steps[times]])
    values = _log_likelihood(np.exp(point + probes), healthy, guess)
    here, up, down, both = np.split(values, np.cumsum([1, len(point), len(point)]))
    slope = (up - down) / (2 * PROBE) - prior.precision @ (point - prior.middle)
    own = np.maximum(2 * here - up - down, 0.0) / PROBE**2
    between = (up[size] + up[times] - here - both) / PROBE**2
    most = 0.95 * np.sqrt(own[size] * own[times])  # no pair is curved the wrong way
    curve = np.array(prior.precision)
    curve[np.diag_indices(len(point))] += own
    curve[size, times] += np.clip(between, -most, most)
    curve[times, size] += np.clip(between, -most, most)
    return slope, curve


def _as_point(model: NoiseModel) -> Floats:
    """[D] the logs of what is learned of a model."""
    learned = (model.white_sd, model.wander_sd, model.wander_tau_h, model.common_sd, model.common_tau_h)
    return np.log(np.concatenate(learned))


def _as_model(point: Floats, guess: NoiseModel) -> NoiseModel:
    meters, commons = guess.meters, len(guess.common_sd)
    white, wander, tau, common, common_tau = np.split(np.exp(point), np.cumsum([meters, meters, meters, commons]))
    return replace(guess, white_sd=white, wander_sd=wander, wander_tau_h=tau, common_sd=common, common_tau_h=common_tau)


def log_prior(models: Sequence[NoiseModel], guess: NoiseModel) -> Floats:
    """[B] log prior, up to a constant, of B models of a plant of which `guess` is usual."""
    return -_penalty(np.array([_as_point(model) for model in models]), _prior(guess))


def _penalty(points: Floats, prior: _Prior) -> Floats:
    apart = points - prior.middle
    penalty: Floats = 0.5 * np.einsum("bi,ij,bj->b", apart, prior.precision, apart)
    return penalty


def _log_posterior(points: Floats, healthy: Healthy, guess: NoiseModel, prior: _Prior) -> Floats:
    """[B] log posterior, up to a constant, of B parameter sets at once."""
    value: Floats = _log_likelihood(np.exp(points), healthy, guess) - _penalty(points, prior)
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
        white_var = white[:, seen] ** 2 / np.clip(part[seen], 0.02, 1.0)
        mean, cov, likely = update_all(mean, cov, look, row[seen], white_var)
        total += likely
    return total

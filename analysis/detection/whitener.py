"""Whitening: a Kalman filter turns wandering readings into independent surprises (innovations).

A change judged on the readings themselves drowns in their autocorrelation; judged on the innovations it is a plain
likelihood ratio. Source: Kalman (1960); innovations form of the likelihood, Schweppe (1965), both from memory.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.detection.noise import NoiseModel
from analysis.frames import Floats

UNSEEN_VAR = 1e6
TINY = 1e-30
# Beyond this many standard deviations a lone hour's surprise counts no further: an hour alone convinces nobody.
SURPRISE_LIMIT = 4.0
# A surprise that lies so many standard deviations along the pattern of a common part that may jump, and more along it
# than across it, is taken for a jump of that part, which is let go for the hour: a change that lasts is told by the
# hours after it.
JUMP_SCORE = 2.5

# Filters of the past are kept this far apart (hours) up to this age (hours), for a change whose onset lies that far back.
PAST_SPACING = ((48, 1), (10 * 24, 6), (93 * 24, 48))


@dataclass(frozen=True, slots=True)
class FilterState:
    """What is known of the states: mean [n] and covariance [n, n]; and the last hour's score [M]."""

    mean: Floats
    cov: Floats
    score: Floats


@dataclass(frozen=True, slots=True)
class Innovation:
    """One hour's surprise.

    Attributes:
        surprise: [M] reading less its prediction; 0 where unseen.
        gain: [n, M] how the states move with it.
        precision: [M, M] inverse covariance of the surprise; rows and columns of unseen meters are 0.
        score: [M] each meter's surprise over its standard deviation, before it was limited; nan where unseen.
        white_var: [M] variance of the reading's own noise, a stray's as much larger as it takes.
        stray: [M] whether it was limited. jumped: [C] whether a common part was taken to have jumped.
    """

    surprise: Floats
    gain: Floats
    precision: Floats
    score: Floats
    white_var: Floats
    stray: NDArray[np.bool_]
    jumped: NDArray[np.bool_]


def start(model: NoiseModel) -> FilterState:
    """What is known before any reading."""
    return FilterState(np.zeros(model.states), np.diag(model.stationary_var), np.zeros(model.meters))


def predict(model: NoiseModel, state: FilterState) -> FilterState:
    """The state an hour later, without a reading."""
    memory = model.memory
    return FilterState(
        memory * state.mean, memory[:, None] * state.cov * memory + np.diag(model.fresh_var), state.score
    )


def update(
    model: NoiseModel,
    state: FilterState,
    reading: Floats,
    share: Floats,
    goes_on: NDArray[np.bool_] | None = None,
) -> tuple[FilterState, Innovation]:
    """Take in one hour.

    Args:
        model: the noise.
        state: as predicted for this hour.
        reading: [M] log flow over commissioned flow; nan where unseen.
        share: [M] share of the hour behind each reading, 0..1; less of the hour is noisier.
        goes_on: [M] whose surprise is known to be no stray, beside those who were surprised in the hour before.

    Returns:
        The state after the hour, and the hour's surprise.
    """
    view = model.view
    seen = np.isfinite(reading)
    surprise = np.where(seen, np.nan_to_num(reading) - view @ state.mean, 0.0)
    white_var = np.where(seen, model.white_sd**2 / np.clip(share, 0.02, 1.0), UNSEEN_VAR)
    shown = view @ state.cov
    spread = shown @ view.T
    jumped = _jumped(model, surprise, spread + np.diag(white_var))
    if jumped.any():
        state = FilterState(state.mean, _jumping(model, state.cov, jumped), state.score)
        shown = view @ state.cov
        spread = shown @ view.T
    total_var = np.diag(spread) + white_var
    score = np.where(seen, surprise / np.sqrt(total_var), np.nan)
    lasting = _goes_on(state.score, score) if goes_on is None else _goes_on(state.score, score) | goes_on
    excess = np.where(lasting, 1.0, np.maximum(np.abs(np.nan_to_num(score)) / SURPRISE_LIMIT, 1.0))
    white_var = white_var + total_var * (excess**2 - 1.0)
    precision: Floats = np.linalg.inv(spread + np.diag(white_var)).astype(np.float64)
    precision[~seen, :] = 0.0
    precision[:, ~seen] = 0.0
    gain = shown.T @ precision
    cov = state.cov - gain @ shown
    after = FilterState(state.mean + gain @ surprise, 0.5 * (cov + cov.T), np.where(seen, score, state.score))
    return after, Innovation(surprise, gain, precision, score, white_var, excess > 1.0, jumped)


def _jumped(model: NoiseModel, surprise: Floats, spread: Floats) -> NDArray[np.bool_]:
    """[C] whether each common part that may jump looks as if it had; `spread` [M, M] is the surprise's covariance."""
    jumped = np.zeros(len(model.common_sd), dtype=np.bool_)
    for part in np.flatnonzero(model.common_jump_sd):
        pattern = model.common_signature[:, part]
        solved = np.linalg.solve(spread, np.stack([surprise, pattern], axis=1))
        (whole, along), (_, info) = surprise @ solved, pattern @ solved
        explained = along**2 / max(info, TINY)
        jumped[part] = explained > max(JUMP_SCORE**2, whole - explained)
    return jumped


def _jumping(model: NoiseModel, cov: Floats, jumped: NDArray[np.bool_]) -> Floats:
    """The covariance [n, n] with the parts that jumped let go."""
    place = 2 * model.meters + np.flatnonzero(jumped)
    loose = cov.copy()
    loose[place, place] += model.common_jump_sd[jumped] ** 2
    return loose


def loosened(state: FilterState, pattern: Floats) -> FilterState:
    """The state with offsets free to move along a pattern [M], one standard deviation long."""
    cov = state.cov.copy()
    meters = len(pattern)
    cov[:meters, :meters] += np.outer(pattern, pattern)
    return FilterState(state.mean, cov, state.score)


def _goes_on(before: Floats, score: Floats) -> NDArray[np.bool_]:
    """[M] whether a surprise is the second in a row to the same side: then it is a change, not a stray hour."""
    return (np.nan_to_num(before * score) > 0.0) & (np.abs(before) > SURPRISE_LIMIT)


def thinned(past: list[tuple[int, FilterState]], now_h: int) -> list[tuple[int, FilterState]]:
    """Filters of the past, fewer of the older ones; the newest of those too old for any onset stays."""
    kept = [
        (hour, state)
        for hour, state in past
        if any(now_h - hour <= limit_h and hour % spacing_h == 0 for limit_h, spacing_h in PAST_SPACING)
    ]
    return kept or past[-1:]

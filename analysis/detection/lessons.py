"""Lessons: noise that a few commissioning days could not tell is learned anew from the healthy weeks that follow."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.detection.learning import Healthy, learn_more
from analysis.detection.noise import NoiseModel
from analysis.detection.regimes import Regime, Touch, regime_at
from analysis.detection.whitener import loosened, predict, start, update
from analysis.frames import Floats

# A lesson is due each time the healthy hours have doubled, until so many: by then most of what wanders is known.
MOST_H = 32 * 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Lessons:
    """When a watch learns: the first hour that counts, how many hours it was commissioned on, and the usual noise."""

    from_h: int
    commissioned_h: int
    usual: NoiseModel

    def to_come(self, taken: int) -> bool:
        """Whether there will be another lesson when so many have been taken."""
        return 0 < self.commissioned_h << (taken + 1) <= MOST_H

    def due(self, hours: int, taken: int) -> bool:
        """Whether another lesson is due after so many hours of the record, when so many have been taken."""
        return self.to_come(taken) and hours - self.from_h >= self.commissioned_h << (taken + 1)


def learned(model: NoiseModel, lesson: NoiseModel | None) -> NoiseModel:
    """A regime's noise with what was learned later; signatures are the regime's."""
    return model if lesson is None else replace(lesson, common_signature=model.common_signature)


def learn_again(  # noqa: PLR0913 - what a watch was fed, named at the one call
    lessons: Lessons,
    *,
    known: NoiseModel,
    readings: Floats,
    shares: Floats,
    regimes: Sequence[Regime],
    touches: Sequence[Touch],
) -> NoiseModel:
    """Learn from all healthy hours so far.

    Args:
        lessons: for the prior and the first hour that counts.
        known: the noise so far: by it strays are left out, and jumps of common parts allowed for.
        readings: [T, M] log readings from the record's first hour on, nan where they are not to be learned from.
        shares: [T, M] share of the hour behind each.
        regimes: of the watch.
        touches: of the watch.
    """
    kept = np.array(readings[lessons.from_h :])
    signature = np.empty((*kept.shape, len(known.common_sd)))
    moved: dict[int, list[Floats]] = {}
    state = start(known)
    for row in range(len(kept)):
        hour = lessons.from_h + row
        model = learned(regime_at(regimes, hour).model, known)
        signature[row] = model.common_signature
        state = predict(model, state)
        for touch in touches:
            if touch.hour == hour:
                state = loosened(state, touch.move)
                moved.setdefault(row, []).append(_of_offsets(model, touch.move))
        state, innovation = update(model, state, kept[row], shares[hour])
        kept[row, innovation.stray] = np.nan
        for part in np.flatnonzero(innovation.jumped):
            moved.setdefault(row, []).append(_of_part(model, int(part)))
    healthy = Healthy(
        readings=kept,
        share=shares[lessons.from_h : lessons.from_h + len(kept)],
        signature=signature,
        moved=_stacked(moved),
    )
    return learn_more(healthy, lessons.usual, known)


def _of_offsets(model: NoiseModel, pattern: Floats) -> Floats:
    """[n] a move of the offsets [M]."""
    return np.concatenate([pattern, np.zeros(model.states - model.meters)])


def _of_part(model: NoiseModel, part: int) -> Floats:
    """[n] a jump of a common part."""
    move = np.zeros(model.states)
    move[2 * model.meters + part] = model.common_jump_sd[part]
    return move


def _stacked(moved: Mapping[int, list[Floats]]) -> dict[int, Floats]:
    return {row: np.array(moves) for row, moves in moved.items()}

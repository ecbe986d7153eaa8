"""Which faults this plant can tell apart, and how long it takes.

Two faults are apart when the readings of one, however large the other is thought to be, are 20 times less likely
under the other: ln 20 nats of evidence. The evidence comes from the same whitening filter that judges the readings,
so wandering meters count as they are. The fault is taken to have grown little by little, as clogging and fouling do:
a sharp jump stands out from any wander and would make every pair look easy. Where it is not known by how much a fault
moves a reading, the pump's power, that spread counts like more noise there.
"""

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.assessment import FaultKind, Isolability
from analysis.detection.bank import POWERS, growth
from analysis.detection.noise import NoiseModel
from analysis.frames import Floats
from analysis.signatures import Signatures

ODDS = 20.0
EXAMPLE_LOSS = 0.2
COMMISSIONED_H = 168
STRAIGHT = int(np.argmin(np.abs(POWERS - 1.0)))
# Where the best size of a fault is looked for that a reading tells by a doubt of its own, and how often it is bettered.
SIZES_TRIED, SIZE_STEPS = (0.0, 0.5, 1.0), 4
AGES_H = (1, 3, 6, 12, 24, 48, 72, 120, 168, 240, 336, 480, 720)


@dataclass(frozen=True, slots=True)
class _InDoubt:
    """The reading in which examples are not sure, and their variance [H] there."""

    reading: int
    variance: Floats


def isolability_of(signatures: Signatures, noise: NoiseModel) -> tuple[Isolability, ...]:
    """Every pair of faults; each at a fifth of the flow lost (or gained, for an opening)."""
    return isolability_and_sight_of(signatures, noise)[0]


def isolability_and_sight_of(
    signatures: Signatures, noise: NoiseModel
) -> tuple[tuple[Isolability, ...], dict[str, float | None]]:
    """Every pair of faults, and for every fault the hours that it takes to be told from none; None for never."""
    examples, doubt = _examples(signatures)
    info = _information(noise)
    names = [fault.name for fault in signatures.faults]
    either_way = np.array([fault.kind in {FaultKind.METER, FaultKind.SUPPLY} for fault in signatures.faults])
    apart = np.array([_distances(examples, matrix, either_way, doubt) for matrix in info])
    both = np.minimum(apart, np.swapaxes(apart, 1, 2))
    pairs = tuple(
        Isolability(first=names[first], second=names[second], hours=_hours(both[:, first, second], np.log(ODDS)))
        for first, second in itertools.combinations(range(len(names)), 2)
    )
    own = np.array([_alone(examples, matrix, doubt) for matrix in info])
    return pairs, {name: _hours(own[:, place], np.log(ODDS)) for place, name in enumerate(names)}


def _alone(examples: Floats, info: Floats, doubt: _InDoubt | None) -> Floats:
    """[H] evidence of each example against no fault."""
    own: Floats = 0.5 * np.diag(examples @ info @ examples.T)
    if doubt is None:
        return own
    share = doubt.variance / (1.0 + doubt.variance * info[doubt.reading, doubt.reading])
    less: Floats = own - 0.5 * share * (examples @ info[:, doubt.reading]) ** 2
    return less


def _hours(apart: Floats, needed: float) -> float | None:
    """The first of AGES_H from which on the evidence is enough, however much more slowly the fault grew."""
    enough = apart >= needed
    if not enough[-1]:
        return None
    return float(AGES_H[int(np.flatnonzero(~enough)[-1]) + 1 if not enough.all() else 0])


def _examples(signatures: Signatures) -> tuple[Floats, _InDoubt | None]:
    """[H, M] each fault's pattern nearest to the example size, and what is in doubt of them."""
    hypotheses = signatures.hypotheses
    rows, places = [], []
    for index in range(len(hypotheses.names)):
        own = np.flatnonzero(hypotheses.owner == index)
        nearest = own[np.argmin(np.abs(np.abs(hypotheses.size[own]) + np.log(1 - EXAMPLE_LOSS)))]
        rows.append(hypotheses.patterns[nearest])
        places.append(nearest)
    if hypotheses.doubt is None:
        return np.array(rows), None
    doubt = hypotheses.doubt[places]
    reading = int(np.flatnonzero(hypotheses.doubt.any(axis=0))[0])
    return np.array(rows), _InDoubt(reading, doubt[:, reading] ** 2)


def _information(noise: NoiseModel) -> list[Floats]:
    """[M, M] evidence of a change grown straight to one unit in each of AGES_H, following a commissioned week.

    The whitening filter on whole hours, by its covariances alone: what it reads does not enter.
    """
    view, memory, white = noise.view, noise.memory, np.diag(noise.white_sd**2)
    fresh_cov, decay = np.diag(noise.fresh_var), np.outer(noise.memory, noise.memory)
    cov = np.diag(noise.stationary_var)
    size = growth(np.arange(1.0, AGES_H[-1] + 1.0))[:, STRAIGHT]
    shadow, info = np.zeros((noise.states, noise.meters)), np.zeros((noise.meters, noise.meters))
    kept = []
    for hour in range(-COMMISSIONED_H, AGES_H[-1]):
        cov = decay * cov + fresh_cov
        shown = view @ cov
        precision = np.linalg.inv(shown @ view.T + white)
        gain = shown.T @ precision
        cov = cov - gain @ shown
        cov = 0.5 * (cov + cov.T)
        if hour < 0:
            continue
        shadow *= memory[:, None]
        surprise = size[hour] * np.eye(noise.meters) - view @ shadow
        shadow += gain @ surprise
        info += surprise.T @ precision @ surprise
        if hour + 1 in AGES_H:
            kept.append(info / size[hour] ** 2)
    return kept


def _distances(examples: Floats, info: Floats, either_way: NDArray[np.bool_], doubt: _InDoubt | None) -> Floats:
    """[H, H] evidence against the best size of the fault of a column when the fault of a row holds.

    `examples` [H, M], `info` [M, M]; a fault that errs to either side, [H], may have any sign. The doubt of a column's
    fault grows with its size, so the size that is best for several doubts is tried by its own.
    """
    products: Floats = examples @ info @ examples.T
    own = np.diag(products)
    if doubt is None:
        return _left(products, own[:, None], own, _best(products, own, either_way))
    sums = _InDoubtSums(products, examples @ info[:, doubt.reading], float(info[doubt.reading, doubt.reading]))
    least = np.full_like(products, np.inf)
    for begin in SIZES_TRIED:
        size = np.full_like(products, begin)
        for _ in range(SIZE_STEPS):
            cross, held, other = sums.less(_variance(doubt, size))
            least = np.minimum(least, _left(cross, held, other, size))
            size = _best(cross, other, either_way)
    return least


def _variance(doubt: _InDoubt, size: Floats) -> Floats:
    """[H, H] of both faults in the doubtful reading, the column's at sizes [H, H]."""
    total: Floats = doubt.variance[:, None] + size**2 * doubt.variance
    return total


def _best(cross: Floats, other: Floats, either_way: NDArray[np.bool_]) -> Floats:
    """[H, H] size of the column's fault that comes nearest to the row's example."""
    best = np.divide(cross, other, out=np.zeros_like(cross), where=other > 0)
    return np.where(either_way, best, np.maximum(best, 0.0))


def _left(cross: Floats, held: Floats, other: Floats, size: Floats) -> Floats:
    """[H, H] evidence that sizes of the column's fault leave."""
    left: Floats = 0.5 * (held - 2.0 * size * cross + size**2 * other)
    return left


@dataclass(frozen=True, slots=True)
class _InDoubtSums:
    """x.Iy of every two examples [H, H], (Ix)_e of each [H], and I_ee of the doubtful reading e."""

    products: Floats
    reach: Floats
    own_info: float

    def less(self, variance: Floats) -> tuple[Floats, Floats, Floats]:
        """[H, H] x.Iy, x.Ix of the row's and y.Iy of the column's, with a variance [H, H] in e taken off I.

        (I^-1 + v ee')^-1 = I - v Ie e'I / (1 + v e'Ie) (Sherman and Morrison).
        """
        share = variance / (1.0 + variance * self.own_info)
        own, square = np.diag(self.products), self.reach**2
        cross: Floats = self.products - share * np.outer(self.reach, self.reach)
        return cross, own[:, None] - share * square[:, None], own - share * square

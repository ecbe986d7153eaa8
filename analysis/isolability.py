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
AGES_H = (1, 3, 6, 12, 24, 48, 72, 120, 168, 240, 336, 480, 720)


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
    own = np.array([0.5 * np.diag(_products(examples, matrix, doubt, own=True)) for matrix in info])
    return pairs, {name: _hours(own[:, place], np.log(ODDS)) for place, name in enumerate(names)}


def _hours(apart: Floats, needed: float) -> float | None:
    """The first of AGES_H from which on the evidence is enough, however much more slowly the fault grew."""
    enough = apart >= needed
    if not enough[-1]:
        return None
    return float(AGES_H[int(np.flatnonzero(~enough)[-1]) + 1 if not enough.all() else 0])


@dataclass(frozen=True, slots=True)
class _InDoubt:
    """The reading in which examples are not sure, and their variance [H] there."""

    reading: int
    variance: Floats


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


def _products(examples: Floats, info: Floats, doubt: _InDoubt | None, *, own: bool = False) -> Floats:
    """[H, H] x.Iy of every two examples; in [r, c] the doubt of both is taken off I, or of r alone for its `own`.

    (I^-1 + v ee')^-1 = I - v Ie e'I / (1 + v e'Ie), for a variance v in one reading e.
    """
    products: Floats = examples @ info @ examples.T
    if doubt is None:
        return products
    variance = doubt.variance[:, None] + (0.0 if own else doubt.variance)
    reach = examples @ info[:, doubt.reading]
    left: Floats = products - variance * np.outer(reach, reach) / (1.0 + variance * info[doubt.reading, doubt.reading])
    return left


def _alone(examples: Floats, info: Floats, doubt: _InDoubt | None) -> tuple[Floats, Floats]:
    """[H, H] x.Ix of the example of each row, and of each column, with the doubt of both taken off I."""
    whole = np.diag(examples @ info @ examples.T)
    rows, columns = np.broadcast_to(whole[:, None], (len(whole),) * 2), np.broadcast_to(whole, (len(whole),) * 2)
    if doubt is None:
        return rows, columns
    variance = doubt.variance[:, None] + doubt.variance
    less = variance / (1.0 + variance * info[doubt.reading, doubt.reading])
    reach = (examples @ info[:, doubt.reading]) ** 2
    return rows - less * reach[:, None], columns - less * reach


def _distances(examples: Floats, info: Floats, either_way: NDArray[np.bool_], doubt: _InDoubt | None) -> Floats:
    """[H, H] evidence against the best size of the fault of a column when the fault of a row holds.

    `examples` [H, M], `info` [M, M]; a fault that errs to either side, [H], may have any sign.
    """
    products = _products(examples, info, doubt)
    held, other = _alone(examples, info, doubt)
    best = np.divide(products, other, out=np.zeros_like(products), where=other > 0)
    best = np.where(either_way, best, np.maximum(best, 0.0))
    left: Floats = 0.5 * (held - 2.0 * best * products + best**2 * other)
    return left

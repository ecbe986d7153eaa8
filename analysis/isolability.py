"""Which faults this plant can tell apart, and how long it takes.

Two faults are apart when the readings of one, however large the other is thought to be, are 20 times less likely
under the other: ln 20 nats of evidence. The evidence that a steady change gathers in an hour, a day, a month comes
from the same whitening filter that judges the readings, so wandering meters count as they are.
"""

import numpy as np

from analysis.assessment import Isolability
from analysis.detection.bank import empty, step
from analysis.detection.noise import NoiseModel
from analysis.detection.whitener import predict, start, update
from analysis.frames import Floats
from analysis.signatures import Signatures

ODDS = 20.0
EXAMPLE_LOSS = 0.2
COMMISSIONED_H = 168
AGES_H = (1, 3, 6, 12, 24, 48, 72, 120, 168, 240, 336, 480, 720)


def isolability_of(signatures: Signatures, noise: NoiseModel) -> tuple[Isolability, ...]:
    """Every pair of faults; each at a fifth of the flow lost (or gained, for an opening)."""
    examples = _examples(signatures)
    info = _information(noise)
    names = [fault.name for fault in signatures.faults]
    needed = np.log(ODDS)
    rows = []
    for first in range(len(names)):
        for second in range(first + 1, len(names)):
            apart = [
                min(
                    _distance(examples[first], examples[second], matrix),
                    _distance(examples[second], examples[first], matrix),
                )
                for matrix in info
            ]
            hours = next((float(age) for age, gap in zip(AGES_H, apart, strict=True) if gap >= needed), None)
            rows.append(Isolability(first=names[first], second=names[second], hours=hours))
    return tuple(rows)


def _examples(signatures: Signatures) -> Floats:
    """[H, M] each fault's pattern nearest to the example size."""
    hypotheses = signatures.hypotheses
    rows = []
    for index in range(len(hypotheses.names)):
        own = np.flatnonzero(hypotheses.owner == index)
        nearest = own[np.argmin(np.abs(np.abs(hypotheses.size[own]) + np.log(1 - EXAMPLE_LOSS)))]
        rows.append(hypotheses.patterns[nearest])
    return np.array(rows)


def _information(noise: NoiseModel) -> list[Floats]:
    """[M, M] evidence of a unit step after each of AGES_H, following a commissioned week."""
    state = start(noise)
    healthy, whole = np.zeros(noise.meters), np.ones(noise.meters)
    for _ in range(COMMISSIONED_H):
        state, _ = update(noise, predict(noise, state), healthy, whole)
    bank = empty(noise)
    info = []
    for hour in range(AGES_H[-1]):
        state, innovation = update(noise, predict(noise, state), healthy, whole)
        bank = step(bank, noise, hour, innovation, frozenset({0}))
        if hour + 1 in AGES_H:
            info.append(bank.info[0, 0])
    return info


def _distance(truth: Floats, other: Floats, info: Floats) -> float:
    """Evidence against the best size of `other` (of its own sign) when `truth` holds."""
    curve = float(other @ info @ other)
    best = max(float(other @ info @ truth) / curve, 0.0) if curve > 0 else 0.0
    left = truth - best * other
    return 0.5 * float(left @ info @ left)

"""The onset bank: evidence for a change that began at any of many hours, in any of a few shapes.

A change adds `size[j] * shape(t - onset)` to the log flow of every meter j. Because the whitening filter is linear,
the log likelihood ratio of ANY pattern of sizes s over the meters is

    llr(s) = s . b - s . A s / 2

with a vector b [M] and a matrix A [M, M] that do not depend on s. The bank carries b and A for each onset and shape,
an hour's work whatever the number of hypotheses, and so the whole past is weighed in every hour. (Generalised
likelihood ratio after Willsky and Jones, IEEE Trans. Automatic Control 21 (1976) 108, from memory.)
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.detection.noise import NoiseModel
from analysis.detection.products import Lie, Products, peaks
from analysis.detection.whitener import Innovation
from analysis.frames import Floats, Ints

# Growth of a change with time: 0 is a step, 0.85 a ramp that slows, 1.75 one that quickens. [G]
# On the way to a fifth of its flow, a branch whose resistance grows evenly loses log flow nearly by the former, one whose
# resistance grows with the square of time by the latter.
POWERS: Floats = np.array([0.0, 0.85, 1.75])
# A ramp is measured in days, so that b and A stay near 1.
RAMP_UNIT_H = 24.0
# Onsets are kept this far apart (hours) up to this age (hours): fine where a fresh change must be dated, coarse later.
SPACING: tuple[tuple[int, int], ...] = ((12, 1), (48, 3), (10 * 24, 12), (30 * 24, 24), (90 * 24, 72))


@dataclass(frozen=True, slots=True)
class OnsetBank:
    """Sufficient statistics of K onsets and G shapes.

    Attributes:
        onset_h: [K] hours, ascending: the first hour that the change touches.
        weight_h: [K] hours of possible onsets that each stands for.
        shadow: [K, G, n, M] how the filter has swallowed a unit change of each meter.
        score: [K, G, M] the vector b.
        info: [K, G, M, M] the matrix A.
    """

    onset_h: Ints
    weight_h: Floats
    shadow: Floats
    score: Floats
    info: Floats


def since(bank: OnsetBank, hour: int) -> OnsetBank:
    """The onsets after an hour."""
    young = bank.onset_h > hour
    return OnsetBank(*(getattr(bank, name)[young] for name in ("onset_h", "weight_h", "shadow", "score", "info")))


def empty(model: NoiseModel) -> OnsetBank:
    """A bank without onsets."""
    shapes, states, meters = len(POWERS), model.states, model.meters
    return OnsetBank(
        np.zeros(0, np.int64),
        np.zeros(0),
        np.zeros((0, shapes, states, meters)),
        np.zeros((0, shapes, meters)),
        np.zeros((0, shapes, meters, meters)),
    )


def growth(age_h: NDArray[Any]) -> Floats:
    """Size of each shape (in ramp units) at each age: [..., G]; age counts the onset hour as 1."""
    grown: Floats = (np.asarray(age_h, float)[..., None] / RAMP_UNIT_H) ** POWERS
    return grown


def step(  # noqa: PLR0913 - an hour's whole setting
    bank: OnsetBank,
    model: NoiseModel,
    hour: int,
    innovation: Innovation,
    protect: frozenset[int] = frozenset(),
    *,
    opens: bool = True,
) -> OnsetBank:
    """The bank after one more hour: all onsets one hour older, and if it opens a new one at `hour`.

    `protect` holds onsets that are kept however old: the likely ones, since a sharp change judged from an hour
    beside its onset would look like something else.
    """
    if opens:
        bank = _open(bank, model, hour)
    memory = model.memory[:, None]
    ages = growth(hour - bank.onset_h + 1.0)
    shadow = memory * bank.shadow
    fresh = ages[..., None, None] * np.eye(model.meters) - model.view @ shadow
    weighted = np.swapaxes(fresh, -1, -2) @ innovation.precision
    return _thin(
        OnsetBank(
            bank.onset_h,
            bank.weight_h,
            shadow + innovation.gain @ fresh,
            bank.score + weighted @ innovation.surprise,
            bank.info + weighted @ fresh,
        ),
        hour,
        protect,
    )


def _open(bank: OnsetBank, model: NoiseModel, hour: int) -> OnsetBank:
    one = empty(model)

    def grown(old: Floats, blank: Floats) -> Floats:
        return np.concatenate([old, np.zeros((1, *blank.shape[1:]))])

    return OnsetBank(
        np.append(bank.onset_h, hour),
        np.append(bank.weight_h, 1.0),
        grown(bank.shadow, one.shadow),
        grown(bank.score, one.score),
        grown(bank.info, one.info),
    )


def _thin(bank: OnsetBank, hour: int, protect: frozenset[int]) -> OnsetBank:
    """Drop onsets that have aged into a coarser spacing; a neighbour takes over their weight."""
    ages = hour - bank.onset_h
    keep = np.isin(bank.onset_h, list(protect))
    youngest = 0
    for limit_h, spacing_h in SPACING:
        band = (ages >= youngest) & (ages < limit_h)
        keep |= band & (bank.onset_h % spacing_h == 0)
        youngest = limit_h
    keep |= ages < SPACING[0][0]
    if keep.all():
        return bank
    kept = np.flatnonzero(keep)
    if len(kept) == 0:
        kept = np.array([len(ages) - 1])
    heir = np.clip(np.searchsorted(kept, np.arange(len(ages))), 0, len(kept) - 1)
    weight = np.bincount(heir, weights=np.where(ages < SPACING[-1][0], bank.weight_h, 0.0), minlength=len(kept)).astype(
        np.float64
    )
    return OnsetBank(bank.onset_h[kept], weight, bank.shadow[kept], bank.score[kept], bank.info[kept])


@dataclass(frozen=True, slots=True)
class Ratios:
    """Log likelihood ratios [K, G, P] of patterns against no change, and where each lies best, [K, G, P]."""

    log_ratio: Floats
    lie: Lie


def evidence(bank: OnsetBank, products: Products, hour: int) -> Ratios:
    """Weigh each pattern, the size left free between its neighbours.

    Patterns of one fault are nodes on a path of sizes. Around node s with span d (half the way to either neighbour)
    the ratio is a parabola in the share u of the span, -1..1; it is integrated over u by its peak and width
    (Laplace), so that a few nodes serve a fault of any size, however sharp the evidence.

    Args:
        bank: after `hour`.
        products: the patterns and spans, of `products_of`.
        hour: the last hour taken in.
    """
    onsets, shapes, meters = bank.score.shape
    scale = (1.0 / growth(hour - bank.onset_h + 1.0)).reshape(-1, 1)
    score = scale * bank.score.reshape(-1, meters)
    info = (scale**2)[..., None] * bank.info.reshape(-1, meters, meters)
    node, lie = peaks(products, score, info)
    whole = (onsets, shapes, node.shape[1])
    return Ratios(node.reshape(whole), lie.to(lambda values: values.reshape(whole)))

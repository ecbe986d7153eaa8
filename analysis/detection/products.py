"""Patterns prepared for weighing: what of them is the same in every hour is worked out once.

The evidence for a pattern p with span d needs p.Ap, p.Ad and d.Ad under the matrix A of every onset and shape. A is
symmetric, so each of them is one sum over the pairs of meters with A's upper triangle; and a pattern that moves a
single meter, as a wrong meter does, needs nothing but that meter's entry.
"""

from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats, Ints

LEAST_CURVE = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Products:
    """P patterns over M meters, those of several meters first.

    Attributes:
        place: [P] where each pattern stands here; in_place: whether all stand where they stood.
        wide: [Q, M] patterns of several meters; wide_span: [Q, M] their spans.
        pairs: [3, M (M + 1) / 2, Q] factors of the upper triangle of A for p.Ap, p.Ad and d.Ad.
        meter: [P - Q] the meter that each of the others moves; lone, lone_span: [P - Q] by how much.
    """

    place: Ints
    in_place: bool
    wide: Floats
    wide_span: Floats
    pairs: Floats
    meter: Ints
    lone: Floats
    lone_span: Floats


def products_of(patterns: Floats, spans: Floats) -> Products:
    """Prepare patterns [P, M] with spans [P, M], each half the way to its neighbours."""
    moved = (patterns != 0) | (spans != 0)
    single = moved.sum(axis=1) <= 1
    several, one = np.flatnonzero(~single), np.flatnonzero(single)
    order = np.concatenate([several, one])
    meter = np.argmax(moved[one], axis=1)
    wide, wide_span = patterns[several], spans[several]
    row, column = np.triu_indices(patterns.shape[1])

    def paired(left: Floats, right: Floats) -> Floats:
        both = left[:, row] * right[:, column] + left[:, column] * right[:, row]
        return (np.where(row == column, 0.5, 1.0) * both).T

    return Products(
        place=np.argsort(order),
        in_place=bool((np.diff(order) > 0).all()),
        wide=wide,
        wide_span=wide_span,
        pairs=np.stack([paired(wide, wide), paired(wide, wide_span), paired(wide_span, wide_span)]),
        meter=meter,
        lone=patterns[one, meter],
        lone_span=spans[one, meter],
    )


def peaks(products: Products, score: Floats, info: Floats) -> tuple[Floats, Floats]:
    """The log ratio of every pattern with its size integrated over its span, and where in the span it peaks.

    Args:
        products: of P patterns.
        score: [N, M] the vectors b.
        info: [N, M, M] the matrices A.

    Returns:
        Both [N, P]; the second from -1 to 1.
    """
    node, share = np.empty((2, len(score), len(products.place)))
    split = len(products.wide)
    row, column = np.triu_indices(info.shape[1])
    upper = info[:, row, column]
    fall, mixed, curve = (upper @ factors for factors in products.pairs)
    found = _peak(score @ products.wide.T, score @ products.wide_span.T, fall, mixed, curve)
    node[:, :split], share[:, :split] = found
    lone, span = products.lone, products.lone_span
    reach, own = score[:, products.meter], info[:, products.meter, products.meter]
    found = _peak(reach * lone, reach * span, own * lone**2, own * (lone * span), own * span**2)
    node[:, split:], share[:, split:] = found
    if products.in_place:
        return node, share
    return node[:, products.place], share[:, products.place]


def _peak(node: Floats, slope: Floats, fall: Floats, mixed: Floats, curve: Floats) -> tuple[Floats, Floats]:
    """Integrate the parabola of each ratio over its span: p.b, d.b, p.Ap, p.Ad and d.Ad, all [N, Q]; works in place."""
    slope -= mixed
    np.maximum(curve, LEAST_CURVE, out=curve)
    share = slope / curve
    np.clip(share, -1.0, 1.0, out=share)
    fall *= 0.5
    node -= fall
    np.multiply(share, curve, out=mixed)
    mixed *= 0.5
    slope -= mixed
    slope *= share
    node += slope
    curve *= 2.0 / np.pi
    np.maximum(curve, 1.0, out=curve)  # the peak is no wider than the span
    np.log(curve, out=curve)
    curve *= 0.5
    node -= curve
    return node, share

"""Patterns prepared for weighing: what of them is the same in every hour is worked out once.

The evidence for a pattern p with span d needs p.Ap, p.Ad and d.Ad under the matrix A of every onset and shape. A is
symmetric, so each of them is one sum over the pairs of meters with A's upper triangle; and a pattern that moves a
single meter, as a wrong meter does, needs nothing but that meter's entry.

Of one reading, the pump's power, it may not be known by how much a fault moves it. Then the pattern is p + e q with q in
that reading alone and e normal, and e is integrated out: b and A lose what they say along q.
"""

from collections.abc import Callable
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
        doubtful: the reading in which patterns of several meters are not sure; None for none.
        doubt: [Q] one standard deviation of each there.
    """

    place: Ints
    in_place: bool
    wide: Floats
    wide_span: Floats
    pairs: Floats
    meter: Ints
    lone: Floats
    lone_span: Floats
    doubtful: int | None
    doubt: Floats


@dataclass(frozen=True, slots=True)
class Lie:
    """Where each pattern lies best, [..., P]: in its span, -1 to 1, and by how many standard deviations of its doubt.

    `lean` is None where nothing is in doubt.
    """

    share: Floats
    lean: Floats | None

    def to(self, make: Callable[[Floats], Floats]) -> "Lie":
        """Both made into something else, each by itself."""
        return Lie(make(self.share), None if self.lean is None else make(self.lean))

    def at(self, *place: int) -> "Lie":
        """Of one pattern."""
        return self.to(lambda values: values[place])


def products_of(patterns: Floats, spans: Floats, doubt: Floats | None = None) -> Products:
    """Prepare patterns [P, M] with spans [P, M], each half the way to its neighbours, and doubt [P, M] in one reading.

    Raises:
        ValueError: several readings in doubt.
    """
    doubts = np.zeros_like(patterns) if doubt is None else doubt
    columns = np.flatnonzero((doubts != 0).any(axis=0))
    if len(columns) > 1:
        raise ValueError(f"{len(columns)} readings in doubt: there may be one")
    moved = (patterns != 0) | (spans != 0)
    single = (moved.sum(axis=1) <= 1) & ~(doubts != 0).any(axis=1)
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
        doubtful=int(columns[0]) if len(columns) else None,
        doubt=doubts[several].sum(axis=1),
    )


def peaks(products: Products, score: Floats, info: Floats) -> tuple[Floats, Lie]:
    """The log ratio of every pattern with its size integrated over its span, and where in the span it peaks.

    Args:
        products: of P patterns.
        score: [N, M] the vectors b.
        info: [N, M, M] the matrices A.

    Returns:
        [N, P] both.
    """
    node, share = np.empty((2, len(score), len(products.place)))
    split = len(products.wide)
    row, column = np.triu_indices(info.shape[1])
    upper = info[:, row, column]
    fall, mixed, curve = (upper @ factors for factors in products.pairs)
    reach, slope = score @ products.wide.T, score @ products.wide_span.T
    in_doubt = (
        None if products.doubtful is None else _give_doubt(products, score, info, (reach, slope, fall, mixed, curve))
    )
    node[:, :split], share[:, :split] = _peak(reach, slope, fall, mixed, curve)
    lean = None
    if in_doubt is not None:
        lean = np.zeros_like(node)
        lean[:, :split] = in_doubt.lean(share[:, :split])
        node[:, :split] += in_doubt.gain
    lone, span = products.lone, products.lone_span
    reach, own = score[:, products.meter], info[:, products.meter, products.meter]
    found = _peak(reach * lone, reach * span, own * lone**2, own * (lone * span), own * span**2)
    node[:, split:], share[:, split:] = found
    lie = Lie(share, lean)
    if products.in_place:
        return node, lie
    return node[:, products.place], lie.to(lambda values: values[:, products.place])


@dataclass(frozen=True, slots=True)
class _Doubt:
    """What integrating the doubt out gives, [N, Q]: the gain of log ratio, and what the best lean is made of."""

    gain: Floats
    still: Floats
    by_span: Floats
    whole: Floats

    def lean(self, share: Floats) -> Floats:
        """[N, Q] standard deviations of the doubt, at shares [N, Q] of the span."""
        leaning: Floats = (self.still - share * self.by_span) / self.whole
        return leaning


def _give_doubt(products: Products, score: Floats, info: Floats, sums: tuple[Floats, ...]) -> _Doubt:
    """Take from the sums p.b, d.b, p.Ap, p.Ad and d.Ad, in place, what they owe to the doubtful reading.

    With q the doubt: A loses A q q'A / (1 + q.Aq), b loses A q (q.b) / (1 + q.Aq), and the ratio gains
    (q.b)^2 / 2 (1 + q.Aq) - log(1 + q.Aq) / 2.
    """
    reach, slope, fall, mixed, curve = sums
    at, doubt = products.doubtful, products.doubt
    row = info[:, at, :]
    whole = 1.0 + doubt**2 * info[:, at, at][:, None]
    pull = doubt * score[:, at][:, None]
    by_node, by_span = doubt * (row @ products.wide.T), doubt * (row @ products.wide_span.T)
    reach -= pull * by_node / whole
    slope -= pull * by_span / whole
    fall -= by_node**2 / whole
    mixed -= by_node * by_span / whole
    curve -= by_span**2 / whole
    return _Doubt(0.5 * (pull**2 / whole - np.log(whole)), pull - by_node, by_span, whole)


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

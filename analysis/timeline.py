"""Minute rows laid end to end: all meters' readings as one line of time, and what was counted between its knots."""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis.frames import Floats, Ints
from analysis.patience import FEWEST_INTERVALS, GAP_S, LONGEST_GAP_S, PATIENCE, USUAL_OF

DAY_S = 86_400
LOOK_BACK_S = 5400
"""What a meter's usual interval is, its last intervals tell, of no longer ago than this: nothing later may matter."""
SETTLE_S = 2 * LONGEST_GAP_S + 120
"""An interval may reach LONGEST_GAP_S past the hour, and whether it counts hangs on minutes up to as much later."""
LEAD_S = LONGEST_GAP_S + LOOK_BACK_S
"""So long before an hour lies what it hangs on."""
WRAP_SLACK = 50
FASTEST_HZ = 10_000.0
"""No pulse-type flow meter is as fast as this (common practice, no source): a damaged count."""

_FASTEST_A_MS = int(FASTEST_HZ / 1000)
_Item = TypeVar("_Item", bound=np.generic)
MINUTE_MS = 60_000
DAY_MS = DAY_S * 1000
CONTEXT_MINUTES = LEAD_S // 60
_TELLING_MS = 2 * MINUTE_MS  # the minute after, whole
GRID_MINUTES = CONTEXT_MINUTES + 1440 + SETTLE_S // 60
_FEWEST_KNOTS = 2  # an interval has two ends
COLUMN_MS = 4 * DAY_MS  # keeps the meters' time lines apart when they are laid end to end


@dataclass(frozen=True, slots=True, kw_only=True)
class MinuteFrame:
    """Minute rows as arrays, in order of (column, end_ms); all [N].

    Attributes:
        column: index of the meter.
        end_ms: time of the row's last reading, UTC epoch ms; span_ms: from its first reading to that one.
        counted: cumulative count of the last reading; pulses: from the first reading to the last.
        restart: 1 where the counter is known to have restarted since the row before.
    """

    column: Ints
    end_ms: Ints
    span_ms: Ints
    counted: Ints
    pulses: Ints
    restart: Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """All meters' readings laid end to end: knots in time, and what was counted between neighbours.

    `knots_ms` [K] counts from the start of the context, plus COLUMN_MS for each column; `pulses`, `valid` [K - 1];
    `patience_ms` [K]: how long after a knot its meter may be silent before nobody knows how the pump ran.
    K is 2N, the first and last reading of each row, or N if every row is a single reading.
    """

    knots_ms: Ints
    pulses: Ints
    valid: NDArray[np.bool_]
    patience_ms: Ints


def timeline_of(frame: MinuteFrame, origin_ms: int, bits: Ints, usual: Floats) -> Timeline:
    """Lay the rows end to end and judge what lies between neighbours; `usual` is [minutes, M]."""
    column_ms = frame.column * COLUMN_MS - origin_ms
    knots = frame.end_ms + column_ms
    patience_ms = patience_ms_of(frame.column, frame.end_ms - frame.span_ms, frame.end_ms)
    pulses, valid = _across(frame, origin_ms, bits, usual, patience_ms)
    if frame.span_ms.any():
        knots = np.column_stack([knots - frame.span_ms, knots]).ravel()
        pulses = _interleaved(frame.pulses, pulses)
        valid = _interleaved(frame.span_ms > 0, valid)
        patience_ms = np.repeat(patience_ms, 2)
    valid &= pulses <= np.diff(knots) * _FASTEST_A_MS
    return Timeline(knots_ms=knots, pulses=pulses, valid=valid, patience_ms=patience_ms)


def patience_ms_of(column: Ints, first_ms: Ints, end_ms: Ints) -> Ints:
    """How long a meter may be silent after each of its rows before nobody knows how the pump ran.

    Args:
        column: [N] of the meter; rows of each in order of time.
        first_ms: [N] of the row's first reading.
        end_ms: [N] of its last.

    Returns:
        [N] ms, from GAP_S to LONGEST_GAP_S, by the median of the last intervals before; GAP_S where these are too few.
    """
    patience = np.full(len(column), GAP_S * 1000, dtype=np.int64)
    interval_ms = np.zeros(len(column), dtype=np.int64)  # that ends with each row
    interval_ms[1:] = first_ms[1:] - end_ms[:-1]
    slow = np.flatnonzero(interval_ms > GAP_S * 1000 / PATIENCE)  # mostly none
    if not len(slow):
        return patience
    after = np.unique(slow[:, None] + np.arange(USUAL_OF))
    after = after[after < len(column)]
    ends = np.maximum(after[:, None] - np.arange(USUAL_OF), 1)  # [rows, USUAL_OF], the last interval first
    known = after[:, None] - np.arange(USUAL_OF) >= 1
    known &= column[ends - 1] == column[after][:, None]
    known &= end_ms[ends - 1] >= (end_ms[after] - LOOK_BACK_S * 1000)[:, None]
    ordered = np.sort(np.where(known, interval_ms[ends], np.iinfo(np.int64).max), axis=1)
    count = known.sum(axis=1)
    usual = ordered[np.arange(len(after)), np.maximum(count - 1, 0) // 2]
    told = count >= FEWEST_INTERVALS
    patience[after[told]] = np.clip(usual[told] * PATIENCE, GAP_S * 1000, LONGEST_GAP_S * 1000).astype(np.int64)
    return patience


def _interleaved(within: NDArray[_Item], across: NDArray[_Item]) -> NDArray[_Item]:
    """What lies within rows and across neighbouring ones, in order of time; [N] and [N - 1] -> [2N - 1]."""
    both = np.empty(len(within) + len(across), dtype=within.dtype)
    both[0::2] = within
    both[1::2] = across
    return both


def _across(
    frame: MinuteFrame, origin_ms: int, bits: Ints, usual: Floats, patience_ms: Ints
) -> tuple[Ints, NDArray[np.bool_]]:
    """Pulses between neighbouring rows, and whether they are known; both [N - 1].

    A count that went backward is a wrap if the pulses that makes are plausible at the usual rate, else a restart:
    what was counted before it is lost, and after it nobody knows since when.
    """
    column = frame.column[1:]
    width = np.left_shift(np.int64(1), bits)
    gap_ms = frame.end_ms[1:] - frame.span_ms[1:] - frame.end_ms[:-1]
    first_count = frame.counted[1:] - frame.pulses[1:]
    if (first_count < 0).any():  # the counter ran over inside the row
        first_count %= width[column]
    across = first_count - frame.counted[:-1]
    known = (gap_ms > 0) & (gap_ms <= patience_ms[:-1])
    known &= (frame.column[:-1] == column) & (frame.restart[1:] == 0)
    narrow = width <= 2 * FASTEST_HZ * LONGEST_GAP_S + WRAP_SLACK  # the others cannot go round within an interval
    backward_or_narrow = (across < 0) | narrow[column] if narrow.any() else across < 0
    doubtful = np.flatnonzero(known & backward_or_narrow)
    minute = np.clip((frame.end_ms[doubtful] - origin_ms) // MINUTE_MS, 0, GRID_MINUTES - 1)
    at_most = 2 * usual[minute, column[doubtful]] * gap_ms[doubtful] / 1000 + WRAP_SLACK  # nan: none is plausible
    round_once = across[doubtful] + width[column[doubtful]]
    is_wrap = (across[doubtful] < 0) & (round_once <= at_most)
    across[doubtful] = np.where(is_wrap, round_once, across[doubtful])
    known[doubtful] &= (across[doubtful] >= 0) & ~(at_most > width[column[doubtful]])  # it may have gone round unseen
    return np.where(known, across, 0), known


def running_sums(timeline: Timeline, valid: NDArray[np.bool_]) -> tuple[Ints, Ints]:
    """Pulses and ms covered up to each knot by the valid intervals, both [K]."""
    counts = np.zeros(len(timeline.knots_ms), dtype=np.int64)
    covered = np.zeros(len(timeline.knots_ms), dtype=np.int64)
    np.cumsum(timeline.pulses * valid, out=counts[1:])
    np.cumsum(np.diff(timeline.knots_ms) * valid, out=covered[1:])
    return counts, covered


def counted_between(
    timeline: Timeline, running: tuple[Ints, Ints], borders_ms: Ints, meters: int
) -> tuple[Floats, Floats]:
    """Pulses and ms covered between neighbouring borders, [N + 1], both [N, M]; an interval counts in proportion to time.

    Whole sums stay integers until they are differences: as floats they would carry the size of what other meters and
    later hours count into the last digits of a span.
    """
    knots = timeline.knots_ms
    if len(knots) < _FEWEST_KNOTS:
        empty = np.zeros((max(len(borders_ms) - 1, 0), meters))
        return empty, empty.copy()
    left, part = _places(knots, borders_ms, meters)
    pulses, covered_ms = (_between(side[left], part * (side[left + 1] - side[left])) for side in running)
    return pulses.T, covered_ms.T


def _between(whole: Ints, rest: Floats) -> Floats:
    """Differences along the last axis of sums that are kept as a whole number and a rest."""
    return np.diff(whole) + np.diff(rest)


def _places(knots_ms: Ints, at_ms: Ints, meters: int) -> tuple[Ints, Floats]:
    """Where in the time line some times lie: the knot before, short of the last, and the part of the way on, [M, N]."""
    at = at_ms[None, :] + (np.arange(meters, dtype=np.int64) * COLUMN_MS)[:, None]
    left = np.clip(np.searchsorted(knots_ms, at, side="right") - 1, 0, len(knots_ms) - 2)
    part = np.clip((at - knots_ms[left]) / np.maximum(knots_ms[left + 1] - knots_ms[left], 1), 0.0, 1.0)
    return left, part


def known_after_s(timeline: Timeline, ends_ms: Ints, meters: int) -> Floats:
    """Seconds from each end [N] until no later reading could change what lies before it, [N].

    The intervals that reach past the end must be there, and so must every meter's rate up to the minute after the last
    of these, for whether they count hangs on whether the pump stood still. Who has been silent for longer than is
    its way is not waited for. A row sums up its minute, and so the minute of the last reading that is needed must be over.
    """
    across_ms = _next_ms(timeline, ends_ms, meters)
    over_ms = np.maximum(ends_ms, across_ms.max(axis=0, initial=0))
    heard_ms = np.maximum(_next_ms(timeline, over_ms + _TELLING_MS, meters).max(axis=0, initial=0), over_ms)
    whole_ms = (heard_ms // MINUTE_MS + 1) * MINUTE_MS  # a minute's row is the whole minute's
    known: Floats = np.minimum(whole_ms - ends_ms, SETTLE_S * 1000) / 1000
    return known


def _next_ms(timeline: Timeline, at_ms: Ints, meters: int) -> Ints:
    """When each meter was next heard at or after some times [N], or its patience was over; 0 if it was silent, [M, N]."""
    knots_ms = timeline.knots_ms
    first_ms = (np.arange(meters, dtype=np.int64) * COLUMN_MS)[:, None]
    after = np.searchsorted(knots_ms, first_ms + at_ms)
    padded = np.concatenate([[-COLUMN_MS], knots_ms, [meters * COLUMN_MS]])
    before, following = padded[after] - first_ms, padded[after + 1] - first_ms
    patience = np.concatenate([[0], timeline.patience_ms, [0]])[after]
    silent = before < np.maximum(at_ms - patience, 0)
    return np.where(silent, 0, np.minimum(following, before + patience))

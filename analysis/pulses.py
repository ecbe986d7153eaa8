"""Minute rows of raw counts -> hours of metered pulses: pure, and for each hour causal.

Counts are cumulative, so the pulses between two readings are their difference, and a lost reading costs resolution,
never volume. What an hour says depends on nothing later than SETTLE_S after its end.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis.frames import Floats, Ints

DAY_S = 86_400
GAP_S = 600
"""Between readings further apart than this nobody knows how the pump ran: no rate from it."""
SETTLE_S = 2 * GAP_S + 120
"""An interval may reach GAP_S past the hour, and whether it counts hangs on minutes up to another GAP_S later."""
PARTS = 6
"""An hour in parts of ten minutes: what is sudden is seen before the hour is over."""
PAUSE_MARGIN_S = 120
LOW_FRACTION = 0.1
USUAL_DAYS = 7
USUAL_PARTS = 6
"""A day with fewer parts of hours with flow says nothing about the usual rate."""
COUNTABLE = 5
"""A meter that usually gives fewer pulses a minute than this cannot tell a stopped pump within a minute."""
WRAP_SLACK = 50
SEVERAL = 3
DRAIN_MINUTES = 30
"""A display drains down to the outlets' lips within this (common practice, no source)."""
FASTEST_HZ = 10_000.0
"""No pulse-type flow meter is as fast as this (common practice, no source): a damaged count."""

_Item = TypeVar("_Item", bound=np.generic)
_MINUTE_MS = 60_000
_PART_MS = 3_600_000 // PARTS
_DAY_MS = DAY_S * 1000
_CONTEXT_MINUTES = SETTLE_S // 60
_TELLING_MS = 2 * _MINUTE_MS  # the minute after, whole
_GRID_MINUTES = 1440 + 2 * _CONTEXT_MINUTES
_FEWEST_KNOTS = 2  # an interval has two ends
_COLUMN_MS = 4 * _DAY_MS  # keeps the meters' time lines apart when they are laid end to end


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
class DayHours:
    """The hours of one UTC day.

    Attributes:
        pulses, seconds: [24, M] counted while the pump ran, and the time that was.
        off_s: [24] seconds in which the pump was recognised as stopped.
        usual_hz: [M] median of the rates above zero in the day's parts; nan where there are too few.
        part_pulses, part_seconds: [24, PARTS, M] the same of the parts of each hour.
        known_s: [24, PARTS] seconds from the end of each part until no later reading could change it; not over SETTLE_S.
    """

    pulses: Floats
    seconds: Floats
    off_s: Floats
    usual_hz: Floats
    part_pulses: Floats
    part_seconds: Floats
    known_s: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class _Timeline:
    """All meters' readings laid end to end: knots in time, and what was counted between neighbours.

    `knots_ms` [K] counts from the start of the context, plus _COLUMN_MS for each column; `pulses`, `valid` [K - 1].
    K is 2N, the first and last reading of each row, or N if every row is a single reading.
    """

    knots_ms: Ints
    pulses: Ints
    valid: NDArray[np.bool_]


def usual_rate(daily_hz: Floats) -> Floats:
    """Usual rate of each meter from the up to USUAL_DAYS days before.

    Args:
        daily_hz: [D, M] usual rates of single days, nan where unknown.

    Returns:
        [M] their median, pulses a second; nan where no day says anything.
    """
    return _medians(daily_hz)[0]


def _medians(values: Floats) -> tuple[Floats, Ints]:
    """Median of each column's known values and how many those are, both [M]; nan where there is none."""
    columns = np.arange(values.shape[1])
    known = np.count_nonzero(~np.isnan(values), axis=0)
    if not len(values):
        return np.full(len(columns), np.nan), known
    low, high = np.maximum(known - 1, 0) // 2, np.minimum(known // 2, len(values) - 1)
    ordered = np.partition(values.T, np.unique([low, high]))  # nan last; a row each lies close together
    return np.where(known > 0, (ordered[columns, low] + ordered[columns, high]) / 2, np.nan), known


def day_window_ms(day: int) -> tuple[int, int]:
    """First and last UTC epoch ms of the readings that the hours of a UTC epoch day hang on."""
    return day * _DAY_MS - SETTLE_S * 1000, (day + 1) * _DAY_MS + SETTLE_S * 1000


def derive_day(
    day: int, frame: MinuteFrame, *, bits: Ints, usual_hz: Floats, pauses_ms: Sequence[tuple[int, int]] = ()
) -> DayHours:
    """Derive the hours of one UTC day.

    Args:
        day: UTC epoch day.
        frame: rows of all meters in `day_window_ms(day)`.
        bits: [M] width of each meter's counter.
        usual_hz: [M] of `usual_rate` over the days before; where nan, the hours before in the day itself serve.
        pauses_ms: journalled pauses, UTC epoch ms from and to, margins not included.
    """
    origin_ms = day_window_ms(day)[0]
    usual = _usual_by_minute(frame, origin_ms, bits, usual_hz)
    timeline = _timeline(frame, origin_ms, bits, usual)
    running = _running(timeline, timeline.valid)
    off = _off(timeline, running, usual)
    for from_ms, to_ms in pauses_ms:
        off |= _paused(origin_ms, from_ms - PAUSE_MARGIN_S * 1000, to_ms + PAUSE_MARGIN_S * 1000)
    if off.any():
        running = _running(timeline, timeline.valid & ~_touching(timeline, off))
    parts = _borders(_CONTEXT_MINUTES, 24 * PARTS, _PART_MS)
    counted = _counted(timeline, running, parts[:-1], parts[1:], len(bits))
    part_pulses, part_ms = (side.reshape(24, PARTS, -1) for side in counted)
    today = off[_CONTEXT_MINUTES : _CONTEXT_MINUTES + 1440]
    return DayHours(
        pulses=np.round(part_pulses.sum(axis=1), 6),
        seconds=np.round(part_ms.sum(axis=1) / 1000, 6),
        off_s=today.reshape(24, 60).sum(axis=1) * 60.0,
        usual_hz=_day_medians(_rates(part_pulses, part_ms).reshape(24 * PARTS, -1)),
        part_pulses=np.round(part_pulses, 6),
        part_seconds=np.round(part_ms / 1000, 6),
        known_s=_known_s(timeline.knots_ms, parts[1:], len(bits)).reshape(24, PARTS),
    )


def count_windows(
    frame: MinuteFrame, windows_ms: Sequence[tuple[int, int]], *, bits: Ints, usual_hz: Floats
) -> tuple[Floats, Floats]:
    """What was counted within some windows of time, from whole intervals between readings alone.

    An interval that reaches out of a window is left out: part of it ran otherwise. Nothing is told of a stopped pump.

    Args:
        frame: rows of M meters, of no more than two days.
        windows_ms: W windows, UTC epoch ms from and to.
        bits: [M] width of each meter's counter.
        usual_hz: [M] usual rates, by which a wrap is told from a restart; nan where unknown.

    Returns:
        Pulses and the seconds behind them, both [W, M].
    """
    meters = len(bits)
    if len(frame.end_ms) == 0:
        return np.zeros((len(windows_ms), meters)), np.zeros((len(windows_ms), meters))
    origin_ms = int((frame.end_ms - frame.span_ms).min())
    usual = np.broadcast_to(usual_hz, (_GRID_MINUTES, meters))
    timeline = _timeline(frame, origin_ms, bits, usual)
    column, start_ms = np.divmod(timeline.knots_ms[:-1], _COLUMN_MS)
    length_ms = np.diff(timeline.knots_ms)
    counted, covered = np.zeros((2, len(windows_ms), meters))
    for window, (from_ms, to_ms) in enumerate(windows_ms):
        inside = timeline.valid & (start_ms >= from_ms - origin_ms) & (start_ms + length_ms <= to_ms - origin_ms)
        counted[window] = np.bincount(column[inside], timeline.pulses[inside], minlength=meters)
        covered[window] = np.bincount(column[inside], length_ms[inside] / 1000, minlength=meters)
    return counted, covered


def _borders(first_minute: int, bins: int, width_ms: int) -> Ints:
    """Borders of `bins` bins, ms after the start of the context."""
    return first_minute * _MINUTE_MS + np.arange(bins + 1, dtype=np.int64) * width_ms


def _timeline(frame: MinuteFrame, origin_ms: int, bits: Ints, usual: Floats) -> _Timeline:
    """Lay the rows end to end and judge what lies between neighbours; `usual` is [minutes, M]."""
    column_ms = frame.column * _COLUMN_MS - origin_ms
    knots = frame.end_ms + column_ms
    pulses, valid = _across(frame, origin_ms, bits, usual)
    if frame.span_ms.any():
        knots = np.column_stack([knots - frame.span_ms, knots]).ravel()
        pulses = _interleaved(frame.pulses, pulses)
        valid = _interleaved(frame.span_ms > 0, valid)
    valid &= pulses * 1000 <= np.diff(knots) * FASTEST_HZ
    return _Timeline(knots_ms=knots, pulses=pulses, valid=valid)


def _interleaved(within: NDArray[_Item], across: NDArray[_Item]) -> NDArray[_Item]:
    """What lies within rows and across neighbouring ones, in order of time; [N] and [N - 1] -> [2N - 1]."""
    both = np.empty(len(within) + len(across), dtype=within.dtype)
    both[0::2] = within
    both[1::2] = across
    return both


def _across(frame: MinuteFrame, origin_ms: int, bits: Ints, usual: Floats) -> tuple[Ints, NDArray[np.bool_]]:
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
    known = (gap_ms > 0) & (gap_ms <= GAP_S * 1000)
    known &= (frame.column[:-1] == column) & (frame.restart[1:] == 0)
    narrow = width <= 2 * FASTEST_HZ * GAP_S + WRAP_SLACK  # the others cannot go round within GAP_S
    backward_or_narrow = (across < 0) | narrow[column] if narrow.any() else across < 0
    doubtful = np.flatnonzero(known & backward_or_narrow)
    minute = np.clip((frame.end_ms[doubtful] - origin_ms) // _MINUTE_MS, 0, _GRID_MINUTES - 1)
    at_most = 2 * usual[minute, column[doubtful]] * gap_ms[doubtful] / 1000 + WRAP_SLACK  # nan: none is plausible
    round_once = across[doubtful] + width[column[doubtful]]
    is_wrap = (across[doubtful] < 0) & (round_once <= at_most)
    across[doubtful] = np.where(is_wrap, round_once, across[doubtful])
    known[doubtful] &= (across[doubtful] >= 0) & ~(at_most > width[column[doubtful]])  # it may have gone round unseen
    return np.where(known, across, 0), known


def _running(timeline: _Timeline, valid: NDArray[np.bool_]) -> tuple[Ints, Ints]:
    """Pulses and ms covered up to each knot by the valid intervals, both [K]."""
    counts = np.zeros(len(timeline.knots_ms), dtype=np.int64)
    covered = np.zeros(len(timeline.knots_ms), dtype=np.int64)
    np.cumsum(timeline.pulses * valid, out=counts[1:])
    np.cumsum(np.diff(timeline.knots_ms) * valid, out=covered[1:])
    return counts, covered


def _counted(
    timeline: _Timeline, running: tuple[Ints, Ints], from_ms: Ints, to_ms: Ints, meters: int
) -> tuple[Floats, Floats]:
    """Pulses and ms covered in each of N spans, both [N, M]; an interval counts in proportion to time.

    Whole sums stay integers until they are differences: as floats they would carry the size of what other meters and
    later hours count into the last digits of a span.
    """
    knots = timeline.knots_ms
    if len(knots) < _FEWEST_KNOTS:
        empty = np.zeros((len(from_ms), meters))
        return empty, empty.copy()
    (first, first_part), (last, last_part) = (_places(knots, at_ms, meters) for at_ms in (from_ms, to_ms))
    pulses, covered_ms = (
        (side[last] - side[first])
        + (last_part * (side[last + 1] - side[last]) - first_part * (side[first + 1] - side[first]))
        for side in running
    )
    return pulses.T, covered_ms.T


def _places(knots_ms: Ints, at_ms: Ints, meters: int) -> tuple[Ints, Floats]:
    """Where in the time line some times lie: the knot before, short of the last, and the part of the way on, [M, N]."""
    at = at_ms[None, :] + (np.arange(meters, dtype=np.int64) * _COLUMN_MS)[:, None]
    left = np.clip(np.searchsorted(knots_ms, at, side="right") - 1, 0, len(knots_ms) - 2)
    part = np.clip((at - knots_ms[left]) / np.maximum(knots_ms[left + 1] - knots_ms[left], 1), 0.0, 1.0)
    return left, part


def _known_s(knots_ms: Ints, ends_ms: Ints, meters: int) -> Floats:
    """Seconds from each end [N] until no later reading could change what lies before it, [N].

    The intervals that reach past the end must be there, and so must every meter's rate up to the minute after the last
    of these, for whether they count hangs on whether the pump stood still. Who has said nothing for GAP_S is not
    waited for.  A row sums up its minute, and so the minute of the last reading that is needed must be over.
    """
    across_ms = _next_ms(knots_ms, ends_ms, meters)
    reach_ms = np.maximum(ends_ms, across_ms.max(axis=0, initial=0)) + _TELLING_MS
    heard_ms = np.maximum(_next_ms(knots_ms, reach_ms, meters).max(axis=0, initial=0), ends_ms)
    whole_ms = (heard_ms // _MINUTE_MS + 1) * _MINUTE_MS  # a minute's row is the whole minute's
    known: Floats = np.minimum(whole_ms - ends_ms, SETTLE_S * 1000) / 1000
    return known


def _next_ms(knots_ms: Ints, at_ms: Ints, meters: int) -> Ints:
    """When each meter was next heard at or after some times [N], or GAP_S had gone without it; 0 if it was silent, [M, N]."""
    first_ms = (np.arange(meters, dtype=np.int64) * _COLUMN_MS)[:, None]
    after = np.searchsorted(knots_ms, first_ms + at_ms)
    padded = np.concatenate([[-_COLUMN_MS], knots_ms, [meters * _COLUMN_MS]])
    before, following = padded[after] - first_ms, padded[after + 1] - first_ms
    silent = before < np.maximum(at_ms - GAP_S * 1000, 0)
    return np.where(silent, 0, np.minimum(following, before + GAP_S * 1000))


def _rates(counted: Floats, covered_ms: Floats) -> Floats:
    """Pulses a second; nan where nothing is covered."""
    return np.divide(counted * 1000, covered_ms, out=np.full_like(counted, np.nan), where=covered_ms > 0)


def _usual_by_minute(frame: MinuteFrame, origin_ms: int, bits: Ints, usual_hz: Floats) -> Floats:
    """The usual rate that holds in each minute, [minutes, M].

    A meter without days before takes what the day has shown up to the hour's start: later readings must not matter.
    """
    usual = np.broadcast_to(usual_hz, (_GRID_MINUTES, len(usual_hz))).copy()
    unknown = np.flatnonzero(np.isnan(usual_hz))
    if not len(unknown):
        return usual
    # without a usual rate no wrap is recognised: those intervals only fail to speak here
    timeline = _timeline(frame, origin_ms, bits, usual)
    running = _running(timeline, timeline.valid)
    minutes = _borders(0, _GRID_MINUTES, _MINUTE_MS)
    counted, covered_ms = _counted(timeline, running, minutes[:-1], minutes[1:], len(bits))
    rates = _rates(counted, covered_ms)[:, unknown]
    rates[~(rates > 0)] = np.nan
    for start in range(_CONTEXT_MINUTES, _GRID_MINUTES, 60):
        usual[start : start + 60, unknown] = _medians(rates[:start])[0]
    return usual


def _off(timeline: _Timeline, running: tuple[Ints, Ints], usual: Floats) -> NDArray[np.bool_]:
    """Minutes in which the pump stood still, [minutes]: every meter low; of three or more, for a while all but one.

    The one is a meter that turns backward while the display drains. That is over in DRAIN_MINUTES: if one still turns,
    the pump runs, and the others' counters are dead.
    """
    meters, still = np.zeros((2, _GRID_MINUTES), dtype=np.int64)
    doubtful = _doubtful_minutes(timeline, usual)
    from_ms = doubtful * _MINUTE_MS
    counted, covered_ms = _counted(timeline, running, from_ms, from_ms + _MINUTE_MS, usual.shape[1])
    with np.errstate(invalid="ignore"):
        telling = (covered_ms > 0) & ~(usual[doubtful] * 60 < COUNTABLE)
        low = telling & ((counted == 0) | (_rates(counted, covered_ms) < LOW_FRACTION * usual[doubtful]))
    meters[doubtful], still[doubtful] = telling.sum(axis=1), low.sum(axis=1)
    every = (still == meters) & (meters > 0)
    but_one = (still == meters - 1) & (meters >= SEVERAL)
    minute = np.arange(len(meters))
    for_minutes = minute - np.maximum.accumulate(np.where(but_one, -1, minute))
    return np.asarray(every | (but_one & (for_minutes <= DRAIN_MINUTES)), dtype=np.bool_)


def _doubtful_minutes(timeline: _Timeline, usual: Floats) -> Ints:
    """Minutes that an interval of low flow touches, ascending: no others can be low, and most days have few."""
    knots = timeline.knots_ms
    column = knots[:-1] // _COLUMN_MS
    slowest = np.nan_to_num(LOW_FRACTION * np.fmax.reduce(usual, axis=0))
    slow = timeline.valid & (timeline.pulses * 1000 <= np.diff(knots) * slowest[column])
    touched = _spread(knots[:-1][slow] % _COLUMN_MS, knots[1:][slow] % _COLUMN_MS)
    return np.flatnonzero(touched)


def _spread(start_ms: Ints, end_ms: Ints) -> NDArray[np.bool_]:
    """Minutes, [minutes], that any of some spans [N] touches."""
    first = np.clip(start_ms // _MINUTE_MS, 0, _GRID_MINUTES)
    last = np.clip((end_ms - 1) // _MINUTE_MS + 1, first, _GRID_MINUTES)
    edges = np.bincount(first, minlength=_GRID_MINUTES + 1) - np.bincount(last, minlength=_GRID_MINUTES + 1)
    return np.asarray(np.cumsum(edges)[:_GRID_MINUTES] > 0, dtype=np.bool_)


def _paused(origin_ms: int, from_ms: int, to_ms: int) -> NDArray[np.bool_]:
    """Minutes that overlap a span of time, [minutes]."""
    start_ms = origin_ms + np.arange(_GRID_MINUTES, dtype=np.int64) * _MINUTE_MS
    return np.asarray((start_ms < to_ms) & (start_ms + _MINUTE_MS > from_ms), dtype=np.bool_)


def _touching(timeline: _Timeline, off: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Intervals that touch an off minute or one beside it: part of them ran, part did not."""
    blocked = off.copy()
    blocked[1:] |= off[:-1]
    blocked[:-1] |= off[1:]
    before = np.concatenate([[0], np.cumsum(blocked)])
    start_ms = timeline.knots_ms[:-1] % _COLUMN_MS
    end_ms = timeline.knots_ms[1:] % _COLUMN_MS
    first = np.clip(start_ms // _MINUTE_MS, 0, _GRID_MINUTES)
    last = np.clip((end_ms - 1) // _MINUTE_MS + 1, first, _GRID_MINUTES)
    return np.asarray(before[last] > before[first], dtype=np.bool_)


def _day_medians(rates: Floats) -> Floats:
    """Median of each meter's rates above zero in the parts of hours, [M]; nan where there are fewer than USUAL_PARTS."""
    medians, known = _medians(np.where(rates > 0, rates, np.nan))
    return np.where(known >= USUAL_PARTS, np.round(medians, 6), np.nan)

"""Minute rows of raw counts -> hours of metered pulses: pure, and for each hour causal.

Counts are cumulative, so the pulses between two readings are their difference, and a lost reading costs resolution,
never volume. What an hour says depends on nothing later than SETTLE_S after its end, and nothing earlier than LEAD_S
before its start but the usual rate.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.frames import Floats, Ints
from analysis.timeline import (
    COLUMN_MS,
    CONTEXT_MINUTES,
    DAY_MS,
    GRID_MINUTES,
    LEAD_S,
    MINUTE_MS,
    SETTLE_S,
    MinuteFrame,
    Timeline,
    counted_between,
    known_after_s,
    running_sums,
    timeline_of,
)

PARTS = 6
"""An hour in parts of ten minutes: what is sudden is seen before the hour is over."""
PAUSE_MARGIN_S = 120
LOW_FRACTION = 0.1
USUAL_DAYS = 7
USUAL_PARTS = 6
"""A day with fewer parts of hours with flow says nothing about the usual rate."""
COUNTABLE = 5
"""A meter that usually gives fewer pulses a minute than this cannot tell a stopped pump within a minute."""
SEVERAL = 3
DRAIN_MINUTES = 30
"""A display drains down to the outlets' lips within this (common practice, no source)."""
_PART_MS = 3_600_000 // PARTS
_ENDLESS = 10**15  # more pulses than any interval has


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
    return day * DAY_MS - LEAD_S * 1000, (day + 1) * DAY_MS + SETTLE_S * 1000


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
    timeline = timeline_of(frame, origin_ms, bits, usual)
    running = running_sums(timeline, timeline.valid)
    off = _off(timeline, running, usual)
    for from_ms, to_ms in pauses_ms:
        off |= _paused(origin_ms, from_ms - PAUSE_MARGIN_S * 1000, to_ms + PAUSE_MARGIN_S * 1000)
    if off.any():
        running = running_sums(timeline, timeline.valid & ~_touching(timeline, off))
    parts = _borders(CONTEXT_MINUTES, 24 * PARTS, _PART_MS)
    counted = counted_between(timeline, running, parts, len(bits))
    part_pulses, part_ms = (side.reshape(24, PARTS, -1) for side in counted)
    today = off[CONTEXT_MINUTES : CONTEXT_MINUTES + 1440]
    return DayHours(
        pulses=np.round(part_pulses.sum(axis=1), 6),
        seconds=np.round(part_ms.sum(axis=1) / 1000, 6),
        off_s=today.reshape(24, 60).sum(axis=1) * 60.0,
        usual_hz=_day_medians(_rates(part_pulses, part_ms).reshape(24 * PARTS, -1)),
        part_pulses=np.round(part_pulses, 6),
        part_seconds=np.round(part_ms / 1000, 6),
        known_s=known_after_s(timeline, parts[1:], len(bits)).reshape(24, PARTS),
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
    usual = np.broadcast_to(usual_hz, (GRID_MINUTES, meters))
    timeline = timeline_of(frame, origin_ms, bits, usual)
    column, start_ms = np.divmod(timeline.knots_ms[:-1], COLUMN_MS)
    length_ms = np.diff(timeline.knots_ms)
    counted, covered = np.zeros((2, len(windows_ms), meters))
    for window, (from_ms, to_ms) in enumerate(windows_ms):
        inside = timeline.valid & (start_ms >= from_ms - origin_ms) & (start_ms + length_ms <= to_ms - origin_ms)
        counted[window] = np.bincount(column[inside], timeline.pulses[inside], minlength=meters)
        covered[window] = np.bincount(column[inside], length_ms[inside] / 1000, minlength=meters)
    return counted, covered


def _borders(first_minute: int, bins: int, width_ms: int) -> Ints:
    """Borders of `bins` bins, ms after the start of the context."""
    return first_minute * MINUTE_MS + np.arange(bins + 1, dtype=np.int64) * width_ms


def _rates(counted: Floats, covered_ms: Floats) -> Floats:
    """Pulses a second; nan where nothing is covered."""
    return np.divide(counted * 1000, covered_ms, out=np.full_like(counted, np.nan), where=covered_ms > 0)


def _usual_by_minute(frame: MinuteFrame, origin_ms: int, bits: Ints, usual_hz: Floats) -> Floats:
    """The usual rate that holds in each minute, [minutes, M].

    A meter without days before takes what the day has shown up to the hour's start: later readings must not matter.
    """
    usual = np.broadcast_to(usual_hz, (GRID_MINUTES, len(usual_hz)))
    unknown = np.flatnonzero(np.isnan(usual_hz))
    if not len(unknown):
        return usual
    usual = usual.copy()
    # without a usual rate no wrap is recognised: those intervals only fail to speak here
    timeline = timeline_of(frame, origin_ms, bits, usual)
    running = running_sums(timeline, timeline.valid)
    counted, covered_ms = counted_between(timeline, running, _borders(0, GRID_MINUTES, MINUTE_MS), len(bits))
    rates = _rates(counted, covered_ms)[:, unknown]
    rates[~(rates > 0)] = np.nan
    for start in range(CONTEXT_MINUTES, GRID_MINUTES, 60):
        usual[start : start + 60, unknown] = _medians(rates[:start])[0]
    return usual


def _off(timeline: Timeline, running: tuple[Ints, Ints], usual: Floats) -> NDArray[np.bool_]:
    """Minutes in which the pump stood still, [minutes]: every meter low; of three or more, for a while all but one.

    The one is a meter that turns backward while the display drains. That is over in DRAIN_MINUTES: if one still turns,
    the pump runs, and the others' counters are dead.
    """
    meters, still = np.zeros((2, GRID_MINUTES), dtype=np.int64)
    doubtful = _doubtful_minutes(timeline, usual)
    ends_ms = np.stack([doubtful, doubtful + 1], axis=1).ravel() * MINUTE_MS
    counted, covered_ms = (side[::2] for side in counted_between(timeline, running, ends_ms, usual.shape[1]))
    with np.errstate(invalid="ignore"):
        telling = (covered_ms > 0) & ~(usual[doubtful] * 60 < COUNTABLE)
        low = telling & ((counted == 0) | (_rates(counted, covered_ms) < LOW_FRACTION * usual[doubtful]))
    meters[doubtful], still[doubtful] = telling.sum(axis=1), low.sum(axis=1)
    every = (still == meters) & (meters > 0)
    but_one = (still == meters - 1) & (meters >= SEVERAL)
    minute = np.arange(len(meters))
    for_minutes = minute - np.maximum.accumulate(np.where(but_one, -1, minute))
    return np.asarray(every | (but_one & (for_minutes <= DRAIN_MINUTES)), dtype=np.bool_)


def _doubtful_minutes(timeline: Timeline, usual: Floats) -> Ints:
    """Minutes that an interval of low flow touches, ascending: no others can be low, and most days have few."""
    knots = timeline.knots_ms
    slow = np.zeros(len(timeline.pulses), dtype=np.bool_)
    slowest = np.nan_to_num(LOW_FRACTION * np.fmax.reduce(usual[CONTEXT_MINUTES::60], axis=0))  # by the hour
    first = np.searchsorted(knots, np.arange(usual.shape[1] + 1, dtype=np.int64) * COLUMN_MS)
    there = np.flatnonzero(np.diff(first) > 1)  # meters with an interval
    if len(there):
        pulses = np.where(timeline.valid, timeline.pulses, _ENDLESS)
        length_ms = np.where(timeline.valid, np.diff(knots), 0)
        fewest, longest = (
            one.reduceat(side, first[there]) for one, side in ((np.minimum, pulses), (np.maximum, length_ms))
        )
        for column in there[fewest * 1000 <= longest * slowest[there]].tolist():  # mostly none
            span = slice(first[column], first[column + 1] - 1)
            slow[span] = pulses[span] * 1000 <= length_ms[span] * slowest[column]
    touched = _spread(knots[:-1][slow] % COLUMN_MS, knots[1:][slow] % COLUMN_MS)
    return np.flatnonzero(touched)


def _spread(start_ms: Ints, end_ms: Ints) -> NDArray[np.bool_]:
    """Minutes, [minutes], that any of some spans [N] touches."""
    first = np.clip(start_ms // MINUTE_MS, 0, GRID_MINUTES)
    last = np.clip((end_ms - 1) // MINUTE_MS + 1, first, GRID_MINUTES)
    edges = np.bincount(first, minlength=GRID_MINUTES + 1) - np.bincount(last, minlength=GRID_MINUTES + 1)
    return np.asarray(np.cumsum(edges)[:GRID_MINUTES] > 0, dtype=np.bool_)


def _paused(origin_ms: int, from_ms: int, to_ms: int) -> NDArray[np.bool_]:
    """Minutes that overlap a span of time, [minutes]."""
    start_ms = origin_ms + np.arange(GRID_MINUTES, dtype=np.int64) * MINUTE_MS
    return np.asarray((start_ms < to_ms) & (start_ms + MINUTE_MS > from_ms), dtype=np.bool_)


def _touching(timeline: Timeline, off: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Intervals that touch an off minute or one beside it: part of them ran, part did not."""
    blocked = off.copy()
    blocked[1:] |= off[:-1]
    blocked[:-1] |= off[1:]
    before = np.concatenate([[0], np.cumsum(blocked)])
    start_ms = timeline.knots_ms[:-1] % COLUMN_MS
    end_ms = timeline.knots_ms[1:] % COLUMN_MS
    first = np.clip(start_ms // MINUTE_MS, 0, GRID_MINUTES)
    last = np.clip((end_ms - 1) // MINUTE_MS + 1, first, GRID_MINUTES)
    return np.asarray(before[last] > before[first], dtype=np.bool_)


def _day_medians(rates: Floats) -> Floats:
    """Median of each meter's rates above zero in the parts of hours, [M]; nan where there are fewer than USUAL_PARTS."""
    medians, known = _medians(np.where(rates > 0, rates, np.nan))
    return np.where(known >= USUAL_PARTS, np.round(medians, 6), np.nan)

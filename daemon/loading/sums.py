"""Readings -> minute rows, all at once. A row is a sum of the readings of its minute and of nothing else."""

from dataclasses import dataclass

import numpy as np

from analysis.frames import Ints
from daemon.loading.exact import NO_UPTIME
from daemon.loading.lines import MINUTE_MS, Readings
from daemon.loading.words import Mask
from daemon.store.ordering import stable_order

UPTIME_SLACK_MS = 5000
UPTIME_SLACK = 0.02
"""How far a device's uptime may lag behind the log's clock before it speaks of a restart."""
_NEVER = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True, kw_only=True)
class MinuteRows:
    """Minute rows as arrays, all [N], in order of (minute, column, part); see daemon.store.schema.

    `low_mhz` and `high_mhz` mean nothing where `samples` is 1.
    """

    minute: Ints
    column: Ints
    part: Ints
    counted: Ints
    pulses: Ints
    at_ms: Ints
    span_ms: Ints
    low_mhz: Ints
    high_mhz: Ints
    samples: Ints
    restart: Ints

    def __len__(self) -> int:
        return len(self.minute)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ordered:
    """Readings in order of (minute, column, time), each once.

    Attributes:
        readings: the readings.
        doubled: how many lines said what another one said.
        contrary: readings that give another count for the meter and the millisecond of one that was kept.
    """

    readings: Readings
    doubled: int
    contrary: Readings


def in_order(readings: Readings) -> Ordered:
    """Put readings in order and drop repeats; of contrary ones the lowest count stays."""
    key = _minute_key(readings) * MINUTE_MS + readings.at_ms % MINUTE_MS
    step = np.diff(key)
    if not (step > 0).all():
        order = _by_minute(key)
        step = np.diff(key[order])
        if not (step > 0).all():
            order = np.lexsort((readings.counted, key))
            step = np.diff(key[order])
        readings = readings.take(order)
    if (step > 0).all():
        return Ordered(readings=readings, doubled=0, contrary=readings.take(slice(0)))
    fresh = np.concatenate([[True], step > 0])
    same = np.concatenate([[False], readings.counted[1:] == readings.counted[:-1]])
    return Ordered(
        readings=readings.take(fresh),
        doubled=int(np.count_nonzero(~fresh & same)),
        contrary=readings.take(~fresh & ~same),
    )


def _by_minute(key: Ints) -> Ints:
    """Order by minute and column alone, which is all it takes where each meter's lines come in order of time."""
    minute = key // MINUTE_MS
    return stable_order(minute - minute.min())


def _minute_key(readings: Readings) -> Ints:
    """One number that grows with (minute, column)."""
    return (readings.at_ms // MINUTE_MS) * (int(readings.column.max(initial=0)) + 1) + readings.column


def restarts_by_uptime(readings: Readings, last_ms: Ints, last_uptime_ms: Ints) -> Mask:
    """Which readings come after a restart that the device's uptime tells of.

    Uptime went back, or the device has been up for less than the time since the reading before.

    Args:
        readings: in any order.
        last_ms: [M] time of each meter's reading before these, UTC epoch ms.
        last_uptime_ms: [M] its uptime, NO_UPTIME where there is none.

    Returns:
        [N], false where nothing is known.
    """
    restarted = np.zeros(len(readings), dtype=np.bool_)
    if (readings.uptime_ms == NO_UPTIME).all():
        return restarted
    order = np.lexsort((readings.at_ms, readings.column))
    column, at_ms, uptime = readings.column[order], readings.at_ms[order], readings.uptime_ms[order]
    first = np.concatenate([[True], column[1:] != column[:-1]])
    before_ms = np.where(first, last_ms[column], np.concatenate([[0], at_ms[:-1]]))
    before_uptime = np.where(first, last_uptime_ms[column], np.concatenate([[0], uptime[:-1]]))
    elapsed = at_ms - before_ms
    short = uptime + np.maximum(UPTIME_SLACK_MS, (elapsed * UPTIME_SLACK).astype(np.int64)) < elapsed
    known = (uptime != NO_UPTIME) & (before_uptime != NO_UPTIME) & (elapsed > 0)
    restarted[order] = known & ((uptime < before_uptime) | short)
    return restarted


def minute_rows(readings: Readings, restarted: Mask) -> MinuteRows:
    """Sum up readings by minute and meter; a count that runs backward starts a further part.

    Args:
        readings: [N > 0] of `in_order`.
        restarted: [N] of `restarts_by_uptime`.
    """
    group = np.diff(_minute_key(readings)) != 0
    if group.all():
        return _single(readings, restarted)
    counted_step = np.diff(readings.counted)
    apart = group | (counted_step < 0) | restarted[1:]
    starts = np.concatenate([[0], np.flatnonzero(apart) + 1])
    ends = np.concatenate([starts[1:], [len(readings)]]) - 1
    at_ms = readings.at_ms[ends] % MINUTE_MS
    low, high = _extremes(np.diff(readings.at_ms), counted_step, apart, starts)
    return MinuteRows(
        minute=readings.at_ms[ends] // MINUTE_MS,
        column=readings.column[ends],
        part=_parts(np.concatenate([[True], group])[starts]),
        counted=readings.counted[ends],
        pulses=readings.counted[ends] - readings.counted[starts],
        at_ms=at_ms,
        span_ms=readings.at_ms[ends] - readings.at_ms[starts],
        low_mhz=low,
        high_mhz=high,
        samples=ends - starts + 1,
        restart=restarted[starts].astype(np.int64),
    )


def _single(readings: Readings, restarted: Mask) -> MinuteRows:
    """Rows of readings that are each alone in their minute."""
    nothing = np.zeros(len(readings), dtype=np.int64)
    minute = readings.at_ms // MINUTE_MS
    return MinuteRows(
        minute=minute,
        column=readings.column,
        part=nothing,
        counted=readings.counted,
        pulses=nothing,
        at_ms=readings.at_ms - minute * MINUTE_MS,
        span_ms=nothing,
        low_mhz=nothing,
        high_mhz=nothing,
        samples=np.ones(len(readings), dtype=np.int64),
        restart=restarted.astype(np.int64),
    )


def _extremes(elapsed_ms: Ints, counted_step: Ints, apart: Mask, starts: Ints) -> tuple[Ints, Ints]:
    """Lowest and highest rate between neighbours of each part, thousandths of a pulse a second."""
    span = np.where(apart, 1, elapsed_ms)
    rate = (2_000_000 * np.where(apart, 0, counted_step) + span) // (2 * span)
    low = np.minimum.reduceat(np.concatenate([[_NEVER], np.where(apart, _NEVER, rate)]), starts)
    high = np.maximum.reduceat(np.concatenate([[-1], np.where(apart, -1, rate)]), starts)
    return low, high


def _parts(first: Mask) -> Ints:
    """Number of each part within its minute; `first` tells where a minute starts."""
    index = np.arange(len(first), dtype=np.int64)
    return index - np.maximum.accumulate(np.where(first, index, 0))

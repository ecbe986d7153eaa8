"""Many minute rows at once, from a log file. Imports numpy: not for the always-on process."""

import itertools
import sqlite3
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.frames import Ints
from daemon.store.blocks import METERS_MOST, MINUTE_MS, MINUTES, RECORD, TIME_DIGITS, holds_minutes, meters_of_hour
from daemon.store.keys import MINUTE_SHIFT, PART_BITS, PARTS_MOST
from daemon.store.opening import transaction
from daemon.store.ordering import stable_order
from daemon.store.short_rows import INTO, ROW, short_row
from daemon.store.writer import MINUTES_PER_DAY, MinuteRow, count_further_parts, mark_stale, write_minutes

Mask = NDArray[np.bool_]

_INSERT = f"{INTO}{ROW}"
_ROWS_A_STATEMENT = 64  # binding is dear: a statement takes many rows
_INSERT_MANY = f"{_INSERT}{f', {ROW}' * (_ROWS_A_STATEMENT - 1)}"
_FOUR_DIGITS = np.frombuffer("".join(f"{number:04d}" for number in range(10_000)).encode(), dtype=np.uint32)
"""The characters of 0000 to 9999, four at a time."""
_SAMPLES, _PART, _RESTART = 9, 2, 10
_KEY_COLUMNS = 3
_SHORT = np.iinfo(np.uint32).max


def insert_minutes(connection: sqlite3.Connection, table: Ints, *, in_blocks: bool) -> bool:
    """Store minute rows in one transaction: at once in hours of which the database holds nothing of the meter.

    The others are merged one by one.

    Args:
        connection: of `open_writer`.
        table: [N, 11] the columns of the table `minute`, in order of its key. The extremes of a row with one sample
            are stored as null.
        in_blocks: whether single readings may go into blocks.

    Returns:
        Whether none had to be merged.
    """
    return insert_columns(connection, tuple(table.T), in_blocks=in_blocks)


def insert_columns(connection: sqlite3.Connection, columns: Sequence[Ints], *, in_blocks: bool) -> bool:
    """As `insert_minutes`, with the table as its 11 columns, each [N]."""
    minute, meter = columns[:2]
    with transaction(connection):
        mark_stale(connection, days_of(minute))
        free = _free(connection, minute // MINUTES, meter)
        alone = _alone(columns) & free if in_blocks else np.zeros(len(minute), dtype=np.bool_)
        which = slice(None) if alone.all() else alone
        _insert_blocks(connection, *(columns[number][which] for number in (0, 1, 3, 5)))
        _insert_rows(connection, _table(columns, free & ~alone))
        write_minutes(connection, _as_rows(_table(columns, ~free)))
    return bool(free.all())


def _table(columns: Sequence[Ints], which: Mask) -> Ints:
    """Some rows as a table, [N, 11]."""
    index = np.flatnonzero(which)
    table = np.empty((len(index), len(columns)), dtype=np.int64)
    for number, column in enumerate(columns if len(index) else ()):
        table[:, number] = column[index]
    return table


def days_of(minute: Ints) -> list[int]:
    """UTC epoch days of ascending minutes, each once."""
    first, last = (int(minute[end]) // MINUTES_PER_DAY for end in (0, -1))
    borders = np.searchsorted(minute, np.arange(first, last + 2, dtype=np.int64) * MINUTES_PER_DAY)
    return (first + np.flatnonzero(np.diff(borders))).tolist()


def _free(connection: sqlite3.Connection, hour: Ints, meter: Ints) -> Mask:
    """Rows of whose hour and meter the database holds nothing; `hour` ascends."""
    free = np.ones(len(hour), dtype=np.bool_)
    if not holds_minutes(connection, int(hour[0]) * MINUTES, (int(hour[-1]) + 1) * MINUTES):
        return free
    starts = np.concatenate([[0], np.flatnonzero(np.diff(hour)) + 1])
    borders = [*starts.tolist(), len(hour)]
    for (start, end), number in zip(itertools.pairwise(borders), hour[starts].tolist(), strict=True):
        if holds_minutes(connection, number * MINUTES, (number + 1) * MINUTES):
            free[start:end] = ~np.isin(meter[start:end], meters_of_hour(connection, number))
    return free


def _alone(columns: Sequence[Ints]) -> Mask:
    """Rows of a single reading and no known restart, the only ones of their minute."""
    alone = (columns[_SAMPLES] == 1) & (columns[_RESTART] == 0)
    further = columns[_PART] > 0
    if further.any():
        alone &= ~further
        alone[:-1] &= ~further[1:]
    return np.asarray(alone, dtype=np.bool_)


def _insert_rows(connection: sqlite3.Connection, table: Ints) -> None:
    """Store rows as rows."""
    further = table[:, _PART] >= PARTS_MOST
    if further.any():
        count_further_parts(connection, table[further][:, [1, _SAMPLES]].tolist())
        table = table[~further]
    several = _short_rows(table[table[:, _SAMPLES] > 1])
    whole = len(several) - len(several) % _ROWS_A_STATEMENT
    connection.executemany(_INSERT_MANY, several[:whole].reshape(-1, several.shape[1] * _ROWS_A_STATEMENT).tolist())
    connection.executemany(_INSERT, several[whole:].tolist())
    single = table[table[:, _SAMPLES] == 1]
    connection.executemany(_INSERT, [short_row(row) for row in _as_rows(single)])


def _short_rows(table: Ints) -> Ints:
    """`short_row` of rows of several readings, [N, 9]."""
    counted, pulses, at_ms, span_ms, low_mhz, high_mhz, samples, restart = table.T[_KEY_COLUMNS:]
    mean_mhz = pulses * 1_000_000 // np.maximum(span_ms, 1)
    return np.column_stack(
        [
            _keys(table),
            counted,
            pulses,
            MINUTE_MS - at_ms,
            at_ms - span_ms,
            mean_mhz - low_mhz,
            high_mhz - mean_mhz,
            samples,
            restart,
        ]
    )


def _keys(table: Ints) -> Ints:
    """`row_key` of many rows, [N]."""
    keys: Ints = (table[:, 0] << MINUTE_SHIFT) + (table[:, 1] << PART_BITS) + table[:, _PART]
    return keys


def _insert_blocks(connection: sqlite3.Connection, minute: Ints, meter: Ints, counted: Ints, at_ms: Ints) -> None:
    """Store single readings as blocks of an hour and meter; all [N]."""
    if not len(minute):
        return
    hour = minute // MINUTES
    key = (hour - hour[0]) * (int(meter.max()) + 1) + meter
    order = stable_order(key)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(key[order])) + 1])
    after_ms = (minute - hour * MINUTES) * MINUTE_MS + at_ms
    text = str(_records(after_ms.take(order), counted.take(order)).data.cast("B"), "ascii")
    borders = [*(starts * RECORD).tolist(), len(text)]
    bodies = [text[start:end] for start, end in itertools.pairwise(borders)]
    first = order[starts]
    ids = (hour[first] * METERS_MOST + meter[first]).tolist()
    connection.executemany("INSERT INTO minute_block (id, body) VALUES (?, ?)", zip(ids, bodies, strict=True))


def _short(numbers: Ints) -> NDArray[Any]:
    """Numbers of 0 and more in 32 bits where they fit: those divide faster."""
    return numbers.astype(np.uint32) if int(numbers.max(initial=0)) <= _SHORT else numbers


def _records(after_ms: Ints, counted: Ints) -> NDArray[np.uint32]:
    """The records of readings, [N, 5] of four characters each: ms after the start of the hour (8), count (12)."""
    records = np.empty((len(counted), RECORD // 4), dtype=np.uint32)
    for numbers, places in ((after_ms, (1, 0)), (counted, (4, 3, 2))):
        rest = _short(numbers)
        for place in places:
            upper = rest // 10_000
            records[:, place] = _FOUR_DIGITS.take(rest - upper * 10_000)  # numpy's remainder takes much longer
            rest = upper
    return records


def read_records(ids: Sequence[int], bodies: Sequence[str]) -> Ints:
    """Blocks as rows (meter, minute, count, at_ms), [N, 4]."""
    digits = np.frombuffer("".join(bodies).encode("ascii"), dtype=np.uint8).reshape(-1, RECORD) - np.uint8(ord("0"))
    lengths = np.array([len(body) // RECORD for body in bodies], dtype=np.int64)
    key = np.repeat(np.array(ids, dtype=np.int64), lengths)
    after_ms, counted = _number(digits[:, :TIME_DIGITS]), _number(digits[:, TIME_DIGITS:])
    minute = key // METERS_MOST * MINUTES + after_ms // MINUTE_MS
    return np.column_stack([key % METERS_MOST, minute, counted, after_ms % MINUTE_MS])


def _number(digits: NDArray[np.uint8]) -> Ints:
    """Numbers from their digits, [N, places]."""
    number = np.zeros(len(digits), dtype=np.int64)
    for place in range(digits.shape[1]):
        number = number * 10 + digits[:, place]
    return number


def _as_rows(table: Ints) -> list[MinuteRow]:
    """Rows for the database: no extremes where there is one sample."""
    return [
        MinuteRow._make((*row[:7], None, None, *row[9:]) if samples == 1 else row)
        for row, samples in zip(table.tolist(), table[:, _SAMPLES].tolist(), strict=True)
    ]

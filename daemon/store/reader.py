"""Frames out of the database, for the analysis. Imports numpy: not for the always-on process."""

import itertools
import sqlite3
from collections.abc import Mapping, Sequence

import numpy as np

from analysis.frames import HOUR_S, Floats, HourFrame, Ints
from analysis.pulses import MinuteFrame
from daemon.store.blocks import MINUTES, block_id
from daemon.store.bulk import read_records
from daemon.store.journal import read_events
from daemon.store.opening import open_reader
from daemon.store.ordering import stable_order
from daemon.store.undated import read_undated

_COUNTS_ONLY = 3  # columns of a table of single readings

__all__ = ["open_reader", "read_events", "read_hours", "read_minutes"]


def read_hours(
    connection: sqlite3.Connection, meters: Sequence[str], *, from_s: float | None = None, to_s: float | None = None
) -> HourFrame:
    """Hours of some meters, one row an hour without holes.

    Args:
        connection: of `open_reader`.
        meters: names, in the order of the columns wanted; one that the database does not know is all nan.
        from_s: UTC epoch seconds; only whole hours from here on. Without it: from the first hour that a meter has.
        to_s: UTC epoch seconds; only whole hours up to here. Without it: to the last hour that a meter has.

    Returns:
        No hours at all if there are none in the span.
    """
    ids = dict(connection.execute("SELECT name, id FROM meter").fetchall())
    columns = {ids[name]: column for column, name in enumerate(meters) if name in ids}
    first = -(2**40) if from_s is None else int(-(-from_s // HOUR_S))
    end = 2**40 if to_s is None else int(to_s // HOUR_S)
    marks = ", ".join("?" * len(columns))
    rows = connection.execute(
        f"SELECT hour, meter, pulses, seconds, off_s FROM hour WHERE hour >= ? AND hour < ? AND meter IN ({marks})",  # noqa: S608 - question marks only
        (first, end, *columns),
    )
    table = np.fromiter(itertools.chain.from_iterable(rows), dtype=np.float64).reshape(-1, 5)
    if not len(table):
        return _hour_frame(int(first if from_s is not None else 0), meters, table, np.empty(0, dtype=np.int64))
    start = int(table[0, 0]) if from_s is None else first
    stop = int(table[-1, 0]) + 1 if to_s is None else end
    order = np.array([columns[meter] for meter in table[:, 1].astype(np.int64).tolist()], dtype=np.int64)
    return _hour_frame(start, meters, table, order, hours=stop - start)


def _hour_frame(start: int, meters: Sequence[str], table: Floats, column: Ints, *, hours: int = 0) -> HourFrame:
    """Spread rows (hour, meter, pulses, seconds, off_s) over a grid without holes."""
    rate = np.full((hours, len(meters)), np.nan)
    seconds = np.zeros((hours, len(meters)))
    off_s = np.zeros(hours)
    row = table[:, 0].astype(np.int64) - start
    covered = table[:, 3] > 0
    rate[row[covered], column[covered]] = table[covered, 2] / table[covered, 3]
    seconds[row, column] = table[:, 3]
    np.maximum.at(off_s, row, table[:, 4])
    return HourFrame(start_s=start * HOUR_S, meters=tuple(meters), rate=rate, seconds=seconds, off_s=off_s)


def read_minutes(
    connection: sqlite3.Connection, columns: Mapping[int, int], *, from_minute: int, to_minute: int
) -> MinuteFrame:
    """Minute rows of some meters.

    Args:
        connection: any.
        columns: the number of each meter in the database -> its column.
        from_minute: UTC epoch minute of the first rows.
        to_minute: UTC epoch minute after the last rows.
    """
    rows = connection.execute(
        "SELECT meter, minute * 60000 + at_ms, count, span_ms, pulses, restart FROM minute"
        " WHERE minute >= ? AND minute < ?",
        (from_minute, to_minute),
    )
    undated = read_undated(connection, from_minute, to_minute)
    table = np.fromiter(itertools.chain.from_iterable(itertools.chain(rows, undated)), dtype=np.int64).reshape(-1, 6)
    table = np.concatenate([table, _block_rows(connection, from_minute, to_minute)])
    lookup = np.full(max([int(table[:, 0].max(initial=0)), *columns]) + 1, -1, dtype=np.int64)
    for meter, column in columns.items():
        lookup[meter] = column
    table[:, 0] = lookup[table[:, 0]]
    return minute_frame(table[table[:, 0] >= 0].T)


def _block_rows(connection: sqlite3.Connection, from_minute: int, to_minute: int) -> Ints:
    """Single readings from blocks, in the columns that `read_minutes` asks for."""
    blocks = connection.execute(
        "SELECT id, body FROM minute_block WHERE id >= ? AND id < ?",
        (block_id(from_minute // MINUTES, 0), block_id(-(-to_minute // MINUTES), 0)),
    ).fetchall()
    records = read_records([block[0] for block in blocks], [block[1] for block in blocks])
    meter, minute, counted, at_ms = records[(records[:, 1] >= from_minute) & (records[:, 1] < to_minute)].T
    nothing = np.zeros(len(meter), dtype=np.int64)
    return np.column_stack([meter, minute * 60_000 + at_ms, counted, nothing, nothing, nothing])


def minute_frame(table: Ints) -> MinuteFrame:
    """A frame from rows in any order.

    Args:
        table: [6, N] column, end_ms, count, span_ms, pulses, restart; or [3, N], the rest being nothing.
    """
    column, end_ms = table[:2]
    order = stable_order(column)
    ordered, times = column[order], end_ms[order]
    if ((times[1:] < times[:-1]) & (ordered[1:] == ordered[:-1])).any():
        by_time = np.argsort(end_ms, kind="stable")
        order = by_time[stable_order(column[by_time])]
        ordered, times = column[order], end_ms[order]
    counted = table[2, order]
    nothing = np.zeros(len(order), dtype=np.int64)
    span_ms, pulses, restart = (side[order] for side in table[3:]) if len(table) > _COUNTS_ONLY else (nothing,) * 3
    return MinuteFrame(column=ordered, end_ms=times, span_ms=span_ms, counted=counted, pulses=pulses, restart=restart)

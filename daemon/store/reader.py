"""Frames out of the database, for the analysis. Imports numpy: not for the always-on process."""

import itertools
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from analysis.frames import HOUR_S, Floats, GaugeHours, HourFrame, Ints, Parts
from analysis.pulses import PARTS
from analysis.timeline import SETTLE_S, MinuteFrame
from config.gauge_units import SI_UNITS
from config.plant import Gauge
from daemon.store.blocks import MINUTES, block_id
from daemon.store.bulk import read_records
from daemon.store.gauges import read_gauge_hours
from daemon.store.journal import read_events
from daemon.store.keys import row_key
from daemon.store.opening import open_reader
from daemon.store.ordering import side_by_side
from daemon.store.parts import unpacked_parts
from daemon.store.undated import read_undated

_COUNTS_ONLY = 3  # columns of a table of single readings

__all__ = ["open_reader", "read_events", "read_hours", "read_minutes", "with_gauges"]


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
    span, marks = "hour >= ? AND hour < ?", ", ".join("?" * len(columns))
    rows = connection.execute(
        f"SELECT hour, meter, pulses, seconds, off_s, parts FROM hour WHERE {span} AND meter IN ({marks})",  # noqa: S608 - ours
        (first, end, *columns),
    ).fetchall()
    if not rows:
        return _hour_frame(int(first if from_s is not None else 0), meters, _Rows.of([], columns), hours=0)
    start = rows[0][0] if from_s is None else first
    stop = rows[-1][0] + 1 if to_s is None else end
    return _hour_frame(start, meters, _Rows.of(rows, columns), hours=stop - start)


def with_gauges(connection: sqlite3.Connection, frame: HourFrame, gauges: Sequence[Gauge]) -> HourFrame:
    """The frame with what some gauges showed in its hours: the median of an hour's minutes, which passes over a pause.

    Args:
        connection: of `open_reader`.
        frame: hours.
        gauges: in the order of the columns wanted; one that the database does not know is all nan.
    """
    if not gauges:
        return frame
    shown = np.full((frame.hours, len(gauges)), np.nan)
    first, end = frame.start_s // HOUR_S, frame.end_s // HOUR_S
    names = [gauge.name for gauge in gauges]
    for column, hour, median in read_gauge_hours(connection, names, from_hour=first, to_hour=end):
        shown[hour - first, column] = median
    scale = np.array([SI_UNITS[gauge.unit] for gauge in gauges])
    return replace(frame, gauges=GaugeHours(names=tuple(names), shown=shown * scale))


@dataclass(frozen=True, slots=True)
class _Rows:
    """Rows of the table of hours: UTC epoch hour [N], column [N], pulses, seconds, off_s [N, 3], parts [N]."""

    hour: Ints
    column: Ints
    numbers: Floats
    parts: NDArray[np.void]

    @classmethod
    def of(cls, rows: Sequence[tuple[int, int, float, float, float, bytes | None]], columns: Mapping[int, int]) -> Self:
        """From what the database gives; a row without parts has parts of nothing."""
        return cls(
            np.array([row[0] for row in rows], dtype=np.int64),
            np.array([columns[row[1]] for row in rows], dtype=np.int64),
            np.array([row[2:5] for row in rows], dtype=np.float64).reshape(-1, 3),
            unpacked_parts([row[5] for row in rows]),
        )


def _hour_frame(start: int, meters: Sequence[str], rows: _Rows, *, hours: int) -> HourFrame:
    """Spread rows over a grid without holes."""
    rate, seconds = np.full((hours, len(meters)), np.nan), np.zeros((hours, len(meters)))
    off_s = np.zeros(hours)
    row, column = rows.hour - start, rows.column
    covered = rows.numbers[:, 1] > 0
    rate[row[covered], column[covered]] = rows.numbers[covered, 0] / rows.numbers[covered, 1]
    seconds[row, column] = rows.numbers[:, 1]
    np.maximum.at(off_s, row, rows.numbers[:, 2])
    return HourFrame(
        start_s=start * HOUR_S,
        meters=tuple(meters),
        rate=rate,
        seconds=seconds,
        off_s=off_s,
        parts=_parts(start, rows, hours, len(meters)),
    )


def _parts(start: int, rows: _Rows, hours: int, meters: int) -> Parts:
    """The same rows' parts; an hour without any is known when every hour is."""
    row = rows.hour - start
    pulses, seconds = np.zeros((2, hours, PARTS, meters))
    pulses[row, :, rows.column] = rows.parts["pulses"]
    seconds[row, :, rows.column] = rows.parts["seconds"]
    known_s = np.zeros((hours, PARTS))
    np.maximum.at(known_s, row, rows.parts["known_s"].astype(np.float64))
    known_s[known_s == 0] = SETTLE_S
    ends_s = (start + np.arange(hours)[:, None] + np.arange(1, PARTS + 1) / PARTS) * HOUR_S
    known_at_s = np.maximum.accumulate((ends_s + known_s).ravel()).reshape(hours, PARTS)
    return Parts(pulses=pulses, seconds=seconds, known_at_s=known_at_s)


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
        "SELECT meter, minute * 60000 + at_ms, count, span_ms, pulses, restart FROM minute WHERE slot >= ? AND slot < ?",
        (row_key(from_minute, 0), row_key(to_minute, 0)),
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
    column, end_ms, *others = side_by_side(*table)
    if ((end_ms[1:] < end_ms[:-1]) & (column[1:] == column[:-1])).any():
        by_time = np.argsort(table[1], kind="stable")
        column, end_ms, *others = side_by_side(*table[:, by_time])
    nothing = np.zeros(len(column), dtype=np.int64)
    counted, span_ms, pulses, restart = others if len(table) > _COUNTS_ONLY else (*others, nothing, nothing, nothing)
    return MinuteFrame(column=column, end_ms=end_ms, span_ms=span_ms, counted=counted, pulses=pulses, restart=restart)

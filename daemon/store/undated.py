"""Rows whose time is not known yet, and what was believed of the clock. Standard library only.

Rows wait in `undated_minute` on the monotonic clock, where nothing can fall on them, until their anchor is known; then
they are moved into `minute` some at a time. A stop in between costs nothing: each transaction moves whole rows.
"""

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

from daemon.redating import MINUTE_MS, Stretch, shifted
from daemon.store.gauges import move_gauges
from daemon.store.keys import row_key
from daemon.store.merging import MinuteRow, merge_parts
from daemon.store.opening import transaction
from daemon.store.writer import FIELDS, MINUTES_PER_DAY, mark_stale, write_minutes

ANCHORS_KEPT = 1_000
ROWS_A_MOVE = 2_000
_END_MS = "minute * 60000 + at_ms + offset_ms"
_DATED_ROWS = "FROM undated_minute JOIN anchor ON anchor.id = undated_minute.anchor"
_DAY_MS = MINUTES_PER_DAY * MINUTE_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """What was believed of the clock from a moment on; fields as in the table `anchor`."""

    id: int
    boot: str
    steady_ms: int
    offset_ms: int
    known: bool


def next_anchor(connection: sqlite3.Connection) -> int:
    """A number that no anchor has."""
    (number,) = connection.execute("SELECT ifnull(max(id), 0) + 1 FROM anchor").fetchone()
    return int(number)


def write_anchor(connection: sqlite3.Connection, anchor: Anchor) -> None:
    """Store what is believed; the hours of rows that get other dates by it are behind from then on."""
    with transaction(connection):
        before = connection.execute("SELECT offset_ms FROM anchor WHERE id = ?", (anchor.id,)).fetchone()
        if before is not None and before[0] != anchor.offset_ms:
            _forget_hours(connection, anchor.id, before[0])
        connection.execute(
            "INSERT INTO anchor VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT DO UPDATE SET offset_ms = excluded.offset_ms, known = excluded.known",
            (anchor.id, anchor.boot, anchor.steady_ms, anchor.offset_ms, int(anchor.known)),
        )
        _mark(connection, anchor.id, anchor.offset_ms)
        connection.execute(
            "DELETE FROM anchor WHERE id <= ? AND known AND id NOT IN (SELECT anchor FROM undated_minute)"
            " AND id NOT IN (SELECT anchor FROM undated_gauge_minute)",
            (anchor.id - ANCHORS_KEPT,),
        )


def write_undated(connection: sqlite3.Connection, anchor: int, rows: Iterable[MinuteRow]) -> None:
    """Store rows on the monotonic clock under a stored anchor, merged with what is there."""
    ordered = sorted(rows, key=lambda row: row[:3])
    with transaction(connection):
        for (minute, meter), group in groupby(ordered, key=lambda row: row[:2]):
            key = (anchor, minute, meter)
            where = "FROM undated_minute WHERE anchor = ? AND minute = ? AND meter = ?"
            found = connection.execute(f"SELECT {FIELDS} {where}", key).fetchall()
            fresh = tuple(group)
            merged = merge_parts([MinuteRow(*row) for row in found], fresh) if found else fresh
            connection.execute(f"DELETE {where}", key)
            connection.executemany(
                "INSERT INTO undated_minute VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [(anchor, *row) for row in merged],
            )
        found = connection.execute("SELECT offset_ms FROM anchor WHERE id = ?", (anchor,)).fetchone()
        mark_stale(connection, {_day(row, found[0]) for row in ordered})


def move_known(connection: sqlite3.Connection, *, most: int = ROWS_A_MOVE) -> bool:
    """Move some of the rows whose date is known into `minute`, in one transaction; those of gauges go with the last.

    Returns:
        Whether any were there to move; call again until it is False.
    """
    with transaction(connection):
        found = connection.execute(
            "SELECT id, offset_ms FROM anchor WHERE known AND"
            " (id IN (SELECT anchor FROM undated_minute) OR id IN (SELECT anchor FROM undated_gauge_minute))"
            " ORDER BY id LIMIT 1"
        ).fetchone()
        if found is None:
            return False
        anchor, offset_ms = found
        end = _end_of_move(connection, anchor, most)
        if end is None:
            move_gauges(connection, anchor)
            return True
        where = "FROM undated_minute WHERE anchor = ? AND minute <= ?"
        rows = connection.execute(f"SELECT {FIELDS} {where} ORDER BY minute, meter, part", (anchor, end)).fetchall()
        write_minutes(connection, shifted((MinuteRow(*row) for row in rows), offset_ms))
        connection.execute(f"DELETE {where}", (anchor, end))
    return True


def _end_of_move(connection: sqlite3.Connection, anchor: int, most: int) -> int | None:
    """The last minute of a move of about so many rows; at least one minute. None where none is left."""
    rows = connection.execute(
        "SELECT minute FROM undated_minute WHERE anchor = ? ORDER BY minute LIMIT ?", (anchor, most)
    ).fetchall()
    return int(rows[-1][0]) if rows else None


def undated_stretches(connection: sqlite3.Connection) -> list[Stretch]:
    """All rows that wait for a date, by anchor, oldest first."""
    rows = connection.execute(
        "SELECT id, boot, offset_ms, min(first_ms), max(last_ms) FROM anchor JOIN ("
        " SELECT anchor, minute * 60000 + at_ms - span_ms AS first_ms, minute * 60000 + at_ms AS last_ms FROM undated_minute"
        " UNION ALL SELECT anchor, minute * 60000 + 30000, minute * 60000 + 30000 FROM undated_gauge_minute"
        ") ON anchor = id WHERE NOT known GROUP BY id ORDER BY id"
    )
    return [
        Stretch(anchor=number, boot=boot, offset_ms=offset_ms, first_ms=first_ms, last_ms=last_ms)
        for number, boot, offset_ms, first_ms, last_ms in rows.fetchall()
    ]


def undated_rows(connection: sqlite3.Connection) -> int:
    """How many rows are not in `minute` yet."""
    (rows,) = connection.execute(
        "SELECT (SELECT count(*) FROM undated_minute) + (SELECT count(*) FROM undated_gauge_minute)"
    ).fetchone()
    return int(rows)


def latest_undated(connection: sqlite3.Connection, meter: int, *, most: int) -> list[MinuteRow]:
    """The newest rows of a meter that are not in `minute` yet, newest first, dated as well as is known."""
    rows = connection.execute(
        f"SELECT offset_ms, {FIELDS} {_DATED_ROWS} WHERE meter = ?"
        " ORDER BY anchor DESC, minute DESC, part DESC LIMIT ?",
        (meter, most),
    )
    return [shifted([MinuteRow(*row[1:])], row[0])[0]._replace(part=row[3]) for row in rows.fetchall()]


def last_end_ms(connection: sqlite3.Connection) -> int | None:
    """UTC epoch ms of the newest reading whose row is not in `minute` yet, as well as is known; None without one."""
    (end_ms,) = connection.execute(f"SELECT max({_END_MS}) {_DATED_ROWS}").fetchone()
    return None if end_ms is None else int(end_ms)


def last_undated_minute(connection: sqlite3.Connection) -> int | None:
    """UTC epoch minute of the newest row that is not in `minute` yet, as well as is known; None without one."""
    end_ms = last_end_ms(connection)
    return None if end_ms is None else end_ms // MINUTE_MS


def holds_undated(connection: sqlite3.Connection, from_minute: int, to_minute: int) -> bool:
    """Whether a row that is not in `minute` yet lies between two UTC epoch minutes, as well as is known."""
    row = connection.execute(
        f"SELECT 1 {_DATED_ROWS} WHERE {_END_MS} >= ? AND {_END_MS} < ? LIMIT 1",
        (from_minute * MINUTE_MS, to_minute * MINUTE_MS),
    ).fetchone()
    return row is not None


def read_undated(connection: sqlite3.Connection, from_minute: int, to_minute: int) -> sqlite3.Cursor:
    """Rows (meter, end_ms, count, span_ms, pulses, restart) not in `minute` yet, dated as well as is known."""
    return connection.execute(
        f"SELECT meter, {_END_MS}, count, span_ms, pulses, restart {_DATED_ROWS}"
        f" WHERE {_END_MS} >= ? AND {_END_MS} < ?",
        (from_minute * MINUTE_MS, to_minute * MINUTE_MS),
    )


def dated_before(connection: sqlite3.Connection, stretches: Sequence[Stretch]) -> dict[int, int]:
    """UTC epoch ms of the last dated reading before each stretch's provisional dates, by anchor."""
    found: dict[int, int] = {}
    for stretch in stretches:
        row = connection.execute(
            "SELECT max(minute * 60000 + at_ms) FROM minute WHERE slot >="
            " (SELECT max(slot) >> 16 << 16 FROM minute WHERE slot < ?1) AND slot < ?1",
            (row_key((stretch.first_ms + stretch.offset_ms) // MINUTE_MS + 1, 0),),
        ).fetchone()
        if row[0] is not None:
            found[stretch.anchor] = row[0]
    return found


def _day(row: MinuteRow, offset_ms: int) -> int:
    """UTC epoch day of a row."""
    return (row.minute * MINUTE_MS + row.at_ms + offset_ms) // _DAY_MS


def _days(connection: sqlite3.Connection, anchor: int, offset_ms: int) -> range:
    """UTC epoch days of an anchor's rows under an offset."""
    first, last = connection.execute(
        "SELECT min(minute), max(minute) FROM undated_minute WHERE anchor = ?", (anchor,)
    ).fetchone()
    if first is None:
        return range(0)
    return range((first * MINUTE_MS + offset_ms) // _DAY_MS, ((last + 1) * MINUTE_MS + offset_ms) // _DAY_MS + 1)


def _mark(connection: sqlite3.Connection, anchor: int, offset_ms: int) -> None:
    """Note that the hours of the days on which an anchor's rows lie are behind."""
    mark_stale(connection, _days(connection, anchor, offset_ms))


def _forget_hours(connection: sqlite3.Connection, anchor: int, offset_ms: int) -> None:
    """Take away hours that were derived by a provisional date; what else those days hold is derived again."""
    days = _days(connection, anchor, offset_ms)
    if not days:
        return
    first, last = connection.execute(
        "SELECT min(minute), max(minute) FROM undated_minute WHERE anchor = ?", (anchor,)
    ).fetchone()
    hours = (first * MINUTE_MS + offset_ms) // 3_600_000, (last * MINUTE_MS + MINUTE_MS + offset_ms) // 3_600_000
    meters = "SELECT DISTINCT meter FROM undated_minute WHERE anchor = ?"
    connection.execute(f"DELETE FROM hour WHERE hour BETWEEN ? AND ? AND meter IN ({meters})", (*hours, anchor))  # noqa: S608 - a query of ours
    connection.execute(
        f"DELETE FROM usual_rate WHERE day BETWEEN ? AND ? AND meter IN ({meters})",  # noqa: S608 - a query of ours
        (days.start, days.stop - 1, anchor),
    )
    mark_stale(connection, days)

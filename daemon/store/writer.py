"""What the one writer writes. Standard library only, for the always-on process.

Each function makes one transaction, or takes part in the one that is open. Errors of SQLite pass through, so that
the always-on process can keep its batch and try again.
"""

import contextlib
import itertools
import os
import pathlib
import shutil
import sqlite3
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from config.errors import StoreError
from daemon.store.blocks import MINUTES, drop_block, read_block
from daemon.store.keys import METERS_MOST, PARTS_MOST, row_key
from daemon.store.merging import MinuteRow, merge_parts
from daemon.store.opening import open_writer, transaction
from daemon.store.short_rows import INTO, ROW, short_row

__all__ = [
    "MinuteRow",
    "Reject",
    "mark_stale",
    "meter_ids",
    "open_writer",
    "transaction",
    "write_minutes",
    "write_rejects",
    "write_source_state",
]

MINUTES_PER_DAY = 1440
LOG_BYTES = 1010 * 4120
"""The thousand pages after which SQLite begins the log anew, each with its heading, and a commit more."""
LINE_KEPT = 200
FIELDS = "minute, meter, part, count, pulses, at_ms, span_ms, low_mhz, high_mhz, samples, restart"
"""Columns of the table `minute` in the order of MinuteRow."""
_INSERT = INTO + ROW


class Reject(NamedTuple):
    """A line or message that was refused.

    Attributes:
        reason: a few plain words, of a small set.
        line: what was refused, as text; cut to 200 characters when stored.
        line_no: 1-based line of a file; None for a live source.
        at_ms: when it was first seen, UTC epoch milliseconds.
    """

    reason: str
    line: str
    line_no: int | None
    at_ms: int


_ROOM_TIMES = 20
"""The log must not be what fills a disk: there is room for it where there is room for so many."""


def lay_out_log(connection: sqlite3.Connection, path: str | pathlib.Path) -> None:
    """Give the log, `-wal`, its whole length once, so that commits write into it and do not lengthen it.

    A commit that lengthens a file costs the file system more than the commit itself. What is added is no frame of the
    log to SQLite, which knows its frames by their sums. Nobody else can write while we hold the transaction.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        # without room for it, commits lengthen the log as they need it
        with contextlib.suppress(OSError), pathlib.Path(f"{path}-wal").open("ab") as log:
            missing = LOG_BYTES - log.tell()
            if 0 < missing <= shutil.disk_usage(pathlib.Path(path).parent).free // _ROOM_TIMES:
                log.write(bytes(missing))
                log.flush()
                os.fsync(log.fileno())
    finally:
        connection.execute("ROLLBACK")


def meter_ids(connection: sqlite3.Connection, names: Iterable[str]) -> dict[str, int]:
    """The numbers of the meters in this database; meters it has not seen get one.

    Raises:
        StoreError: there are no numbers left.
    """
    wanted = list(names)
    known = dict(connection.execute("SELECT name, id FROM meter").fetchall())
    fresh = [(name,) for name in wanted if name not in known]
    if fresh:
        with transaction(connection):
            connection.executemany("INSERT OR IGNORE INTO meter (name) VALUES (?)", fresh)
            known = dict(connection.execute("SELECT name, id FROM meter").fetchall())
            if max(known.values()) >= METERS_MOST:
                raise StoreError(f"a database holds at most {METERS_MOST - 1} meters: begin a new one with --db")
    return {name: known[name] for name in wanted}


def write_minutes(connection: sqlite3.Connection, rows: Iterable[Sequence[int | None]]) -> int:
    """Store minute rows in one transaction, merged with what is there (daemon.store.merging).

    Args:
        connection: of `open_writer`.
        rows: as MinuteRow, in any order; parts of one (minute, meter) together.

    Returns:
        How many (minute, meter) changed. Writing the same rows again changes none.
    """
    ordered = sorted((MinuteRow(*row) for row in rows), key=lambda row: row[:3])  # type: ignore[arg-type]
    changed = 0
    days = set()
    with transaction(connection):
        for (minute, meter), group in itertools.groupby(ordered, key=lambda row: row[:2]):
            if _write_minute(connection, minute, meter, tuple(group)):
                changed += 1
                days.add(minute // MINUTES_PER_DAY)
        mark_stale(connection, days)
    return changed


def _write_minute(connection: sqlite3.Connection, minute: int, meter: int, fresh: tuple[MinuteRow, ...]) -> bool:
    """Store the parts of one (minute, meter); whether anything changed."""
    keys = (row_key(minute, meter), row_key(minute, meter + 1))
    found = connection.execute(f"SELECT {FIELDS} FROM minute WHERE slot >= ? AND slot < ?", keys).fetchall()  # noqa: S608 - constants
    stored = tuple(MinuteRow(*row) for row in found)
    hour = minute // MINUTES
    block = {} if stored else read_block(connection, hour, meter)
    if minute in block:
        stored = (block[minute],)
    if not stored:
        _insert(connection, fresh)
        return True
    merged = merge_parts(stored, fresh)
    if merged == stored:
        return False
    if block:
        drop_block(connection, hour, meter)
        _insert(connection, block.values())
    connection.execute("DELETE FROM minute WHERE slot >= ? AND slot < ?", keys)
    _insert(connection, merged)
    return True


def _insert(connection: sqlite3.Connection, rows: Iterable[MinuteRow]) -> None:
    """Store rows; of a minute in which a counter started anew again and again, as many parts as there are numbers for."""
    kept = list(rows)
    further = [row for row in kept if row.part >= PARTS_MOST]
    if further:
        count_further_parts(connection, ((row.meter, row.samples) for row in further))
        kept = [row for row in kept if row.part < PARTS_MOST]
    connection.executemany(_INSERT, [short_row(row) for row in kept])


def count_further_parts(connection: sqlite3.Connection, parts: Iterable[tuple[int, int]]) -> None:
    """Count the readings of parts of a minute for which there is no number: (meter, readings) each."""
    names = dict(connection.execute("SELECT id, name FROM meter").fetchall())
    for meter, readings in parts:
        count_rejected(connection, f"meter {names[meter]}", "the count ran backward too often in a minute", readings)


def mark_stale(connection: sqlite3.Connection, days: Iterable[int]) -> None:
    """Note that the hours of these UTC epoch days are behind; a day already noted costs no write."""
    with transaction(connection):
        connection.executemany("INSERT OR IGNORE INTO stale_day VALUES (?)", [(day,) for day in sorted(days)])


def write_rejects(connection: sqlite3.Connection, source: str, rejects: Iterable[Reject], *, kept_lines: int) -> None:
    """Count refused lines by reason and keep them in the quarantine.

    A line that comes again is counted, not kept twice. Beyond `kept_lines` the oldest of the quarantine go; the
    counts stay.
    """
    with transaction(connection):
        for reject in rejects:
            count_rejected(connection, source, reject.reason, 1)
            keep_in_quarantine(connection, source, reject)
        trim_quarantine(connection, kept_lines)


def count_rejected(connection: sqlite3.Connection, source: str, reason: str, times: int) -> None:
    """Add to the count of refused lines."""
    connection.execute(
        "INSERT INTO rejected VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET times = times + excluded.times",
        (source, reason, times),
    )


def keep_in_quarantine(connection: sqlite3.Connection, source: str, reject: Reject) -> None:
    """Keep one refused line; the same line of the same place once, with how often it came."""
    connection.execute(
        "INSERT INTO quarantine (source, line_no, reason, line, first_ms) VALUES (?, ?, ?, ?, ?)"
        " ON CONFLICT DO UPDATE SET times = times + 1",
        (source, reject.line_no, reject.reason, reject.line[:LINE_KEPT], reject.at_ms),
    )


def trim_quarantine(connection: sqlite3.Connection, kept_lines: int) -> None:
    """Drop the oldest lines beyond `kept_lines`."""
    connection.execute(
        "DELETE FROM quarantine WHERE id <= (SELECT id FROM quarantine ORDER BY id DESC LIMIT 1 OFFSET ?)",
        (kept_lines,),
    )


def write_source_state(connection: sqlite3.Connection, name: str, at_ms: int, body: str) -> None:
    """Store what a source last said of itself: `body` is JSON text, `at_ms` UTC epoch milliseconds."""
    with transaction(connection):
        connection.execute(
            "INSERT INTO source_state VALUES (?, ?, ?)"
            " ON CONFLICT DO UPDATE SET at_ms = excluded.at_ms, body = excluded.body",
            (name, at_ms, body),
        )


def forget_rejects(connection: sqlite3.Connection, source: str) -> None:
    """Drop what is known of a source's refused lines, because they are all about to be counted anew."""
    connection.execute("DELETE FROM rejected WHERE source = ?", (source,))
    connection.execute("DELETE FROM quarantine WHERE source = ?", (source,))

"""The newest readings in the database, whether kept as rows, as blocks, or without a date yet. Works without numpy."""

import sqlite3

from daemon.store.blocks import METERS_MOST, MINUTES, block_id, read_block
from daemon.store.keys import minute_of, row_key
from daemon.store.merging import MinuteRow
from daemon.store.undated import last_undated_minute, latest_undated
from daemon.store.writer import FIELDS

MINUTE_MS = 60_000


def end_ms(row: MinuteRow) -> int:
    """Time of a row's last reading, UTC epoch milliseconds."""
    return row.minute * MINUTE_MS + row.at_ms


def last_minute(connection: sqlite3.Connection) -> int | None:
    """UTC epoch minute of the newest reading of any meter; None before the first."""
    (key,) = connection.execute("SELECT max(slot) FROM minute").fetchone()
    in_rows = None if key is None else minute_of(key)
    (newest,) = connection.execute("SELECT max(id) FROM minute_block").fetchone()
    waiting = last_undated_minute(connection)
    known = [int(minute) for minute in (in_rows, waiting) if minute is not None]
    if newest is None:
        return max(known, default=None)
    hour = newest // METERS_MOST
    numbers = connection.execute("SELECT id FROM minute_block WHERE id >= ?", (block_id(hour, 0),)).fetchall()
    in_blocks = max(max(read_block(connection, hour, number % METERS_MOST)) for (number,) in numbers)
    return max([in_blocks, *known])


def latest_end_ms(connection: sqlite3.Connection, *, from_ms: int, until_ms: int) -> int | None:
    """Time of the newest dated reading in the minutes of some span that has a row; all UTC epoch milliseconds."""
    (newest_ms,) = connection.execute(
        "SELECT max(minute * 60000 + at_ms) FROM minute WHERE slot >= ? AND slot < ?",
        (row_key(from_ms // MINUTE_MS, 0), row_key(until_ms // MINUTE_MS + 1, 0)),
    ).fetchone()
    return None if newest_ms is None else int(newest_ms)


def latest_rows(connection: sqlite3.Connection, meter: str, *, from_minute: int, most: int) -> list[MinuteRow]:
    """So many newest rows of a meter since that UTC epoch minute, newest first; fewer if there are fewer."""
    found = connection.execute("SELECT id FROM meter WHERE name = ?", (meter,)).fetchone()
    if found is None:
        return []
    (number,) = found
    rows = connection.execute(
        f"SELECT {FIELDS} FROM minute WHERE meter = ? AND slot >= ? ORDER BY slot DESC LIMIT ?",  # noqa: S608 - constants
        (number, row_key(from_minute, 0), most),
    )
    newest = [MinuteRow(*row) for row in rows.fetchall()]
    blocks = connection.execute(
        "SELECT id FROM minute_block WHERE id % ? = ? AND id >= ? ORDER BY id DESC LIMIT ?",
        (METERS_MOST, number, block_id(from_minute // MINUTES, 0), most),
    )
    for (block,) in blocks.fetchall():
        newest += read_block(connection, block // METERS_MOST, number).values()
    newest += (row for row in latest_undated(connection, number, most=most) if row.minute >= from_minute)
    return sorted(newest, key=lambda row: (row.minute, row.part), reverse=True)[:most]

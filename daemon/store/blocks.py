"""Hours of single readings, kept as text: a year of one-minute logs in half the space and a tenth of the time.

What a block holds is explained in daemon.store.schema. Standard library only, for the always-on process.
"""

import sqlite3

from daemon.store.keys import minute_of, row_key
from daemon.store.merging import MinuteRow

METERS_MOST = 4096
RECORD = 20
TIME_DIGITS = 8
MINUTES = 60
MINUTE_MS = 60_000


def block_id(hour: int, meter: int) -> int:
    """Key of the block of a UTC epoch hour and a meter."""
    return hour * METERS_MOST + meter


def read_block(connection: sqlite3.Connection, hour: int, meter: int) -> dict[int, MinuteRow]:
    """The minutes of a block by their UTC epoch minute; empty if there is none."""
    found = connection.execute("SELECT body FROM minute_block WHERE id = ?", (block_id(hour, meter),)).fetchone()
    body = found[0] if found else ""
    rows = (_row(hour, meter, body[place : place + RECORD]) for place in range(0, len(body), RECORD))
    return {row.minute: row for row in rows}


def read_blocks(connection: sqlite3.Connection, from_hour: int, to_hour: int) -> list[MinuteRow]:
    """The minutes of all blocks from one UTC epoch hour up to, not including, another."""
    found = connection.execute(
        "SELECT id, body FROM minute_block WHERE id >= ? AND id < ?", (block_id(from_hour, 0), block_id(to_hour, 0))
    ).fetchall()
    return [
        _row(block // METERS_MOST, block % METERS_MOST, body[place : place + RECORD])
        for block, body in found
        for place in range(0, len(body), RECORD)
    ]


def drop_block(connection: sqlite3.Connection, hour: int, meter: int) -> None:
    """Take a block away, because its minutes become rows."""
    connection.execute("DELETE FROM minute_block WHERE id = ?", (block_id(hour, meter),))


def holds_minutes(connection: sqlite3.Connection, from_minute: int, to_minute: int) -> bool:
    """Whether the database holds anything from one UTC epoch minute up to, not including, another.

    Blocks are only known by their hour.
    """
    row = connection.execute(
        "SELECT 1 FROM minute WHERE slot >= ? AND slot < ? LIMIT 1", (row_key(from_minute, 0), row_key(to_minute, 0))
    ).fetchone()
    if row is not None:
        return True
    hours = (block_id(from_minute // MINUTES, 0), block_id(-(-to_minute // MINUTES), 0))
    return (
        connection.execute("SELECT 1 FROM minute_block WHERE id >= ? AND id < ? LIMIT 1", hours).fetchone() is not None
    )


def meters_of_hour(connection: sqlite3.Connection, hour: int) -> list[int]:
    """Numbers of the meters of which the database holds anything in a UTC epoch hour."""
    found = connection.execute(
        "SELECT DISTINCT meter FROM minute WHERE slot >= ? AND slot < ?"
        " UNION SELECT meter FROM minute_block WHERE id >= ? AND id < ?",
        (row_key(hour * MINUTES, 0), row_key((hour + 1) * MINUTES, 0), block_id(hour, 0), block_id(hour + 1, 0)),
    )
    return [meter for (meter,) in found.fetchall()]


def first_minute(connection: sqlite3.Connection) -> int | None:
    """UTC epoch minute of the oldest reading; None before the first."""
    (key,) = connection.execute("SELECT min(slot) FROM minute").fetchone()
    row = None if key is None else minute_of(key)
    found = connection.execute(
        "SELECT id, min(substr(body, 1, 8)) FROM minute_block GROUP BY hour ORDER BY id LIMIT 1"
    ).fetchone()
    if found is None:
        return row
    block = int(found[0]) // METERS_MOST * MINUTES + int(found[1]) // MINUTE_MS
    return block if row is None else min(block, row)


def _row(hour: int, meter: int, record: str) -> MinuteRow:
    """A minute of a block as a row."""
    after_ms, counted = int(record[:TIME_DIGITS]), int(record[TIME_DIGITS:])
    minute, at_ms = divmod(after_ms, MINUTE_MS)
    return MinuteRow(hour * MINUTES + minute, meter, 0, counted, 0, at_ms, 0, None, None, 1, 0)

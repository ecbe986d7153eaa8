"""What the program last noted of itself: checks, copies, assessments, room on the disk. Standard library only."""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from daemon.store.opening import transaction

DAY_S = 86_400
DAYS_KEPT = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A note and when it was made, UTC epoch milliseconds."""

    at_ms: int
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class DiskDay:
    """Bytes of the database and bytes free beside it on a UTC epoch day."""

    day: int
    database_bytes: int
    free_bytes: int


def write_note(connection: sqlite3.Connection, name: str, *, at_ms: int, body: Mapping[str, Any]) -> None:
    """Note something in place of the note of that name before it; UTC epoch milliseconds."""
    with transaction(connection):
        connection.execute(
            "INSERT INTO note VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET at_ms = excluded.at_ms, body = excluded.body",
            (name, at_ms, json.dumps(body, ensure_ascii=False, separators=(",", ":"))),
        )


def read_notes(connection: sqlite3.Connection) -> dict[str, Note]:
    """All notes by name."""
    rows = connection.execute("SELECT name, at_ms, body FROM note").fetchall()
    return {name: Note(at_ms=at_ms, body=json.loads(body)) for name, at_ms, body in rows}


def note_disk(connection: sqlite3.Connection, *, now_s: float, database_bytes: int, free_bytes: int) -> None:
    """Note today's room; the latest of a day stands, and those of long ago go."""
    day = int(now_s // DAY_S)
    with transaction(connection):
        connection.execute("INSERT OR REPLACE INTO disk_space VALUES (?, ?, ?)", (day, database_bytes, free_bytes))
        connection.execute("DELETE FROM disk_space WHERE day < ?", (day - DAYS_KEPT,))


def read_disk(connection: sqlite3.Connection, *, from_day: int) -> tuple[DiskDay, ...]:
    """What was noted since a UTC epoch day, oldest first."""
    rows = connection.execute(
        "SELECT day, database_bytes, free_bytes FROM disk_space WHERE day >= ? ORDER BY day", (from_day,)
    )
    return tuple(DiskDay(day=day, database_bytes=size, free_bytes=free) for day, size, free in rows.fetchall())

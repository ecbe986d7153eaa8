"""What the database says of itself: loads, refused lines. Standard library only."""

import sqlite3
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """A log file that is in; times are UTC epoch ms, None if it held no reading."""

    digest: str
    name: str
    lines: int
    accepted: int
    rejected: int
    first_ms: int | None
    last_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RejectedCount:
    """How many lines of a source were refused for one reason."""

    source: str
    reason: str
    times: int


def find_load(connection: sqlite3.Connection, digest: str) -> Load | None:
    """The load of a file with this content; None if it is not in."""
    row = connection.execute("SELECT * FROM loaded WHERE digest = ?", (digest,)).fetchone()
    return _load(row) if row else None


def write_load(connection: sqlite3.Connection, load: Load) -> None:
    """Note that a log file is in."""
    connection.execute(
        "INSERT OR REPLACE INTO loaded VALUES (?, ?, ?, ?, ?, ?, ?)",
        (load.digest, load.name, load.lines, load.accepted, load.rejected, load.first_ms, load.last_ms),
    )


def read_rejected(connection: sqlite3.Connection) -> tuple[RejectedCount, ...]:
    """Refused lines by source and reason, the most frequent first."""
    rows = connection.execute("SELECT source, reason, times FROM rejected ORDER BY times DESC, source, reason")
    return tuple(RejectedCount(source=source, reason=reason, times=times) for source, reason, times in rows.fetchall())


def _load(row: tuple[str, str, int, int, int, int | None, int | None]) -> Load:
    digest, name, lines, accepted, rejected, first_ms, last_ms = row
    return Load(
        digest=digest,
        name=name,
        lines=lines,
        accepted=accepted,
        rejected=rejected,
        first_ms=first_ms,
        last_ms=last_ms,
    )

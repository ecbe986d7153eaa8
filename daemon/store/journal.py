"""The journal: what the keeper did. Standard library only."""

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

from analysis.events import Event, EventKind
from daemon.store.opening import transaction

MINUTE_MS = 60_000
DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """An event in the journal: its number, and whether it came by hand or from which file."""

    id: int
    event: Event
    source: str


def add_events(connection: sqlite3.Connection, events: Iterable[Event], *, source: str) -> int:
    """Write events into the journal; one that is there already changes nothing.

    Returns:
        How many were new.
    """
    added = 0
    with transaction(connection):
        for event in events:
            at_ms = round(event.at_s * 1000)
            cursor = connection.execute(
                "INSERT INTO journal (at_ms, kind, target, value, source) VALUES (?, ?, ?, ?, ?)"
                " ON CONFLICT DO NOTHING",
                (at_ms, event.kind.value, event.target, event.value, source),
            )
            added += cursor.rowcount
            if cursor.rowcount:
                _mark_stale(connection, event)
    return added


def remove_event(connection: sqlite3.Connection, entry_id: int) -> Entry | None:
    """Take a wrong entry out of the journal.

    Returns:
        What it was; None if there is no entry of this number.
    """
    with transaction(connection):
        found = [entry for entry in read_entries(connection) if entry.id == entry_id]
        if not found:
            return None
        connection.execute("DELETE FROM journal WHERE id = ?", (entry_id,))
        _mark_stale(connection, found[0].event)
    return found[0]


def read_entries(connection: sqlite3.Connection) -> tuple[Entry, ...]:
    """The whole journal in order of time."""
    rows = connection.execute("SELECT id, at_ms, kind, target, value, source FROM journal ORDER BY at_ms, id")
    return tuple(
        Entry(
            id=entry_id,
            event=Event(at_s=at_ms / 1000, kind=EventKind(kind), target=target, value=value),
            source=source,
        )
        for entry_id, at_ms, kind, target, value, source in rows.fetchall()
    )


def read_events(connection: sqlite3.Connection) -> tuple[Event, ...]:
    """The journal's events in order of time."""
    return tuple(entry.event for entry in read_entries(connection))


def read_pauses_ms(connection: sqlite3.Connection) -> list[tuple[int, int]]:
    """Journalled pauses, UTC epoch ms from and to, in order of time."""
    rows = connection.execute(
        "SELECT at_ms, value FROM journal WHERE kind = ? ORDER BY at_ms", (EventKind.FEED_PAUSE.value,)
    )
    return [(at_ms, at_ms + round(float(minutes) * MINUTE_MS)) for at_ms, minutes in rows.fetchall()]


def _mark_stale(connection: sqlite3.Connection, event: Event) -> None:
    """A pause changes what the hours around it say; nothing else in the journal does."""
    if event.kind is not EventKind.FEED_PAUSE:
        return
    start_ms = round(event.at_s * 1000)
    end_ms = start_ms + round(float(event.value) * MINUTE_MS)
    days = [(day,) for day in range(start_ms // DAY_MS, end_ms // DAY_MS + 1)]
    connection.executemany("INSERT OR IGNORE INTO stale_day VALUES (?)", days)

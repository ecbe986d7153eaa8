"""Days whose minutes were dropped because of their age: what their hours hold can never be derived again. Standard library only."""

import sqlite3
from collections.abc import Iterable


def note_dropped(connection: sqlite3.Connection, days: Iterable[int]) -> None:
    """Note UTC epoch days, in the transaction that deletes their minutes."""
    connection.executemany("INSERT OR IGNORE INTO dropped_day VALUES (?)", [(day,) for day in days])


def dropped_days(connection: sqlite3.Connection, *, from_day: int = 0, to_day: int = 2**40) -> list[int]:
    """The noted UTC epoch days from one up to, not including, another, ascending."""
    rows = connection.execute("SELECT day FROM dropped_day WHERE day >= ? AND day < ? ORDER BY day", (from_day, to_day))
    return [day for (day,) in rows.fetchall()]

"""Commissioned states of the plant, kept with their dates. Standard library only."""

import sqlite3
from dataclasses import dataclass

from daemon.store.opening import transaction


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineRow:
    """A stored baseline.

    Attributes:
        made_ms: when it was fitted; from_ms, to_ms: the readings it was fitted to; UTC epoch ms.
        plant_digest: of the plant it holds for.
        body: the fitted state, JSON text.
    """

    made_ms: int
    from_ms: int
    to_ms: int
    plant_digest: str
    body: str


def save_baseline(connection: sqlite3.Connection, row: BaselineRow) -> int:
    """Store a baseline and return its number; earlier ones stay."""
    with transaction(connection):
        cursor = connection.execute(
            "INSERT INTO baseline (made_ms, from_ms, to_ms, plant_digest, body) VALUES (?, ?, ?, ?, ?)",
            (row.made_ms, row.from_ms, row.to_ms, row.plant_digest, row.body),
        )
    return int(cursor.lastrowid or 0)


def latest_baseline(connection: sqlite3.Connection) -> BaselineRow | None:
    """The baseline that was made last; None before the first."""
    row = connection.execute(
        "SELECT made_ms, from_ms, to_ms, plant_digest, body FROM baseline ORDER BY id DESC LIMIT 1"
    ).fetchone()
    if row is None:
        return None
    made_ms, from_ms, to_ms, plant_digest, body = row
    return BaselineRow(made_ms=made_ms, from_ms=from_ms, to_ms=to_ms, plant_digest=plant_digest, body=body)

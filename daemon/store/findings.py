"""Findings as the assessments leave them, for those who must not compute: status, alarms. Standard library only."""

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from daemon.store.opening import transaction

CLEARED, WITHDRAWN = "cleared", "withdrawn"


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFinding:
    """A finding as it was last assessed.

    Attributes:
        id: stable for the same readings.
        raised_ms, over_ms: UTC epoch milliseconds; over_ms is None while it stands.
        ended: CLEARED, or WITHDRAWN where the readings as they are known now no longer give it; None while it stands.
        body: as `clearbore diagnose --json` gives it.
    """

    id: str
    raised_ms: int
    over_ms: int | None
    ended: str | None
    status: str
    summary: str
    action: str
    body: Mapping[str, Any]


def keep_findings(connection: sqlite3.Connection, findings: Sequence[StoredFinding], *, assessed_ms: int) -> None:
    """Store what an assessment found in place of what the ones before found.

    A finding that is open in the store and that the assessment does not give any more is withdrawn, and stays.
    """
    with transaction(connection):
        marks = ", ".join("?" * len(findings))
        connection.execute(
            f"UPDATE finding SET over_ms = max(raised_ms, ?), ended = ? WHERE over_ms IS NULL AND id NOT IN ({marks})",  # noqa: S608 - question marks only
            (assessed_ms, WITHDRAWN, *(finding.id for finding in findings)),
        )
        known = {row[0]: row for row in connection.execute("SELECT * FROM finding").fetchall()}
        rows = (_row(finding) for finding in findings)
        connection.executemany(
            "INSERT OR REPLACE INTO finding VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [row for row in rows if known.get(row[0]) != row],
        )


def read_open_findings(connection: sqlite3.Connection) -> tuple[StoredFinding, ...]:
    """Findings that stood at the last assessment, in the order in which they were raised."""
    rows = connection.execute(
        "SELECT id, raised_ms, over_ms, ended, status, summary, action, body FROM finding"
        " WHERE over_ms IS NULL ORDER BY raised_ms, id"
    ).fetchall()
    return tuple(
        StoredFinding(
            id=name,
            raised_ms=raised_ms,
            over_ms=over_ms,
            ended=ended,
            status=status,
            summary=summary,
            action=action,
            body=json.loads(body),
        )
        for name, raised_ms, over_ms, ended, status, summary, action, body in rows
    )


def _row(finding: StoredFinding) -> tuple[str | int | None, ...]:
    """As stored."""
    return (
        finding.id,
        finding.raised_ms,
        finding.over_ms,
        finding.ended,
        finding.status,
        finding.summary,
        finding.action,
        json.dumps(finding.body, ensure_ascii=False),
    )

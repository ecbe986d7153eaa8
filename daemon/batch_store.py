"""The collector's way into the database: everything of a minute in one transaction, kept until it is in."""

import collections
import contextlib
import itertools
import json
import logging
import sqlite3
from collections.abc import Iterable, Mapping
from typing import Any

from daemon import eventlog
from daemon.readings import LastReading, Rejected
from daemon.store import writer
from daemon.store.merging import merge_parts
from daemon.store.writer import MinuteRow, Reject
from daemon.tally import last_readings

LINES_A_BATCH = 20
"""Rejected lines of a source kept from one batch; all are counted."""

log = logging.getLogger(__name__)


class BatchStore:
    """Owns the only connection that writes.

    What was handed in stays here until a transaction that holds it was committed; a failed write is tried again with
    the next one, together with what has come since.
    """

    def __init__(self, connection: sqlite3.Connection, *, kept_lines: int) -> None:
        self._connection = connection
        self._kept_lines = kept_lines
        self._rows: dict[tuple[int, int], tuple[MinuteRow, ...]] = {}
        self._times: collections.Counter[tuple[str, str]] = collections.Counter()
        self._lines: dict[str, list[Reject]] = collections.defaultdict(list)
        self._failing = False
        self.failures = 0

    @property
    def waiting_rows(self) -> int:
        """Minute rows not yet committed."""
        return sum(len(parts) for parts in self._rows.values())

    def keep_rows(self, rows: Iterable[MinuteRow]) -> None:
        """Take minute rows in; those of a minute that waits already are merged with it."""
        for key, group in itertools.groupby(rows, key=lambda row: (row.minute, row.meter)):
            fresh = tuple(group)
            self._rows[key] = merge_parts(self._rows[key], fresh) if key in self._rows else fresh

    def keep_rejected(self, rejected: Iterable[Rejected], *, now_ms: int) -> None:
        """Take rejected lines in: all are counted, the first of a batch are kept to be looked at."""
        for item in rejected:
            self._times[item.source, item.reason] += 1
            lines = self._lines[item.source]
            if len(lines) < LINES_A_BATCH:
                lines.append(Reject(reason=item.reason, line=item.line, line_no=None, at_ms=now_ms))

    def commit(self, states: Mapping[str, Mapping[str, Any]], *, now_ms: int) -> bool:
        """Write all that is kept, and the states, in one transaction; False if the database refuses for now."""
        try:
            self._write(states, now_ms)
        except sqlite3.Error as error:
            self.failures += 1
            if not self._failing:
                self._failing = True
                eventlog.say(log, logging.ERROR, "write_failed", error=error, rows_kept=self.waiting_rows)
            return False
        if self._failing:
            self._failing = False
            eventlog.say(log, logging.WARNING, "write_recovered", rows=self.waiting_rows)
        self._rows.clear()
        self._times.clear()
        self._lines.clear()
        return True

    def close(self) -> None:
        """Close the connection."""
        with contextlib.suppress(sqlite3.Error):
            self._connection.close()

    def remembered(self) -> dict[str, LastReading]:
        """The last readings that an earlier run stored."""
        found: dict[str, LastReading] = {}
        for (text,) in self._connection.execute("SELECT body FROM source_state").fetchall():
            with contextlib.suppress(ValueError):
                body = json.loads(text)
                found |= last_readings(body) if isinstance(body, dict) else {}
        return found

    def _write(self, states: Mapping[str, Mapping[str, Any]], now_ms: int) -> None:
        with writer.transaction(self._connection):
            writer.write_minutes(self._connection, [row for parts in self._rows.values() for row in parts])
            for (source, reason), times in self._times.items():
                writer.count_rejected(self._connection, source, reason, times)
            for source, lines in self._lines.items():
                for line in lines:
                    writer.keep_in_quarantine(self._connection, source, line)
            if self._lines:
                writer.trim_quarantine(self._connection, self._kept_lines)
            for name, body in states.items():
                writer.write_source_state(self._connection, name, now_ms, json.dumps(body))

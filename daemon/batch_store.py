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
from daemon.redating import MINUTE_MS, true_offsets
from daemon.store import undated, writer
from daemon.store.job_runs import JobRun, write_job_runs
from daemon.store.merging import merge_parts
from daemon.store.undated import Anchor
from daemon.store.writer import MinuteRow, Reject
from daemon.tally import last_readings
from daemon.timekeeping import Newest

LINES_A_BATCH = 20
"""Rejected lines of a source kept from one batch; all are counted."""
DATED = 0
"""In the place of an anchor's number: rows in UTC."""

log = logging.getLogger(__name__)


class BatchStore:
    """Owns the only connection that writes.

    What was handed in stays here until a transaction that holds it was committed; a failed write is tried again with
    the next one, together with what has come since.

    Attributes:
        movable: there may be rows whose date has become known; `move_known` moves them, best before newer ones are
            committed, as rows that come to lie in one minute are joined exactly only in order of time.
    """

    def __init__(self, connection: sqlite3.Connection, *, kept_lines: int) -> None:
        self._connection = connection
        self._kept_lines = kept_lines
        self._rows: dict[tuple[int, int, int], tuple[MinuteRow, ...]] = {}
        self._anchors: dict[int, Anchor] = {}
        self._next_anchor = undated.next_anchor(connection)
        self._to_move = False
        self.movable = True
        self._times: collections.Counter[tuple[str, str]] = collections.Counter()
        self._lines: dict[str, list[Reject]] = collections.defaultdict(list)
        self._job_runs: list[JobRun] = []
        self._failing = False
        self.failures = 0

    @property
    def waiting_rows(self) -> int:
        """Minute rows not yet committed."""
        return sum(len(parts) for parts in self._rows.values())

    def new_anchor(self) -> int:
        """A number for a new anchor."""
        self._next_anchor += 1
        return self._next_anchor - 1

    def keep_anchor(self, anchor: Anchor) -> None:
        """Take in what is believed of the clock, or something new of an anchor that is there."""
        self._anchors[anchor.id] = anchor

    def keep_rows(self, rows: Iterable[MinuteRow], *, anchor: int = DATED) -> None:
        """Take minute rows in; those of a minute that waits already are merged with it.

        Args:
            rows: in key order.
            anchor: under which they are counted on the monotonic clock; DATED for rows in UTC.
        """
        for key, group in itertools.groupby(rows, key=lambda row: (anchor, row.minute, row.meter)):
            fresh = tuple(group)
            self._rows[key] = merge_parts(self._rows[key], fresh) if key in self._rows else fresh

    def keep_rejected(self, rejected: Iterable[Rejected], *, now_ms: int) -> None:
        """Take rejected lines in: all are counted, the first of a batch are kept to be looked at."""
        for item in rejected:
            self._times[item.source, item.reason] += 1
            lines = self._lines[item.source]
            if len(lines) < LINES_A_BATCH:
                lines.append(Reject(reason=item.reason, line=item.line, line_no=None, at_ms=now_ms))

    def keep_job_runs(self, runs: Iterable[JobRun]) -> None:
        """Take in what jobs did."""
        self._job_runs.extend(runs)

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
        self.movable, self._to_move = self.movable or self._to_move, False
        self._anchors.clear()
        self._rows.clear()
        self._times.clear()
        self._lines.clear()
        self._job_runs.clear()
        return True

    def first_undated_ms(self, boot: str) -> int | None:
        """The earliest reading of a boot that waits for a date, on its monotonic clock; None if there is none."""
        kept = [
            row.minute * MINUTE_MS + row.first_ms
            for (anchor, _minute, _meter), parts in self._rows.items()
            for row in parts
            if anchor != DATED
        ]
        with contextlib.suppress(sqlite3.Error):  # what cannot be read now is not moved now
            kept += [each.first_ms for each in undated.undated_stretches(self._connection) if each.boot == boot]
        return min(kept, default=None)

    def believe(self, *, boot: str, offset_ms: int) -> int | None:
        """Give every row that waits for a date its own, now that the clock of this boot is known.

        What cannot be read now is left for the next start.

        Returns:
            UTC epoch ms of the newest of them; None if there are none.
        """
        try:
            stretches = undated.undated_stretches(self._connection)
            dated_ms = undated.dated_before(self._connection, stretches)
        except sqlite3.Error as error:
            eventlog.say(log, logging.ERROR, "redating_put_off", error=error)
            return None
        offsets = true_offsets(stretches, boot=boot, offset_ms=offset_ms, dated_ms=dated_ms)
        for stretch in stretches:
            self.keep_anchor(
                Anchor(
                    id=stretch.anchor,
                    boot=stretch.boot,
                    steady_ms=stretch.first_ms,
                    offset_ms=offsets[stretch.anchor],
                    known=True,
                )
            )
        self._to_move = True
        return max((stretch.last_ms + offsets[stretch.anchor] for stretch in stretches), default=None)

    def move_known(self) -> None:
        """Move some of the rows whose date is known to their place; `movable` says whether there is more."""
        try:
            self.movable = undated.move_known(self._connection)
        except sqlite3.Error as error:
            eventlog.say(log, logging.ERROR, "redating_put_off", error=error)
            self.movable = False

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

    def newest(self) -> Newest:
        """The newest readings that earlier runs collected."""
        found = self._connection.execute("SELECT body FROM source_state WHERE name = 'collector'").fetchone()
        noted: Mapping[str, Any] = {}
        with contextlib.suppress(ValueError, TypeError, KeyError):
            noted = json.loads(found[0])["clock"]
        shown_ms, dated_ms = noted.get("newest_ms"), noted.get("newest_dated_ms")
        return Newest(
            shown_ms=shown_ms if isinstance(shown_ms, int) else None,
            dated_ms=dated_ms if isinstance(dated_ms, int) else None,
        )

    def _write(self, states: Mapping[str, Mapping[str, Any]], now_ms: int) -> None:
        with writer.transaction(self._connection):
            for anchor in self._anchors.values():
                undated.write_anchor(self._connection, anchor)
            by_anchor: dict[int, list[MinuteRow]] = {DATED: []}
            for (number, _minute, _meter), parts in self._rows.items():
                by_anchor.setdefault(number, []).extend(parts)
            writer.write_minutes(self._connection, by_anchor.pop(DATED))
            for number, rows in by_anchor.items():
                undated.write_undated(self._connection, number, rows)
            for (source, reason), times in self._times.items():
                writer.count_rejected(self._connection, source, reason, times)
            for source, lines in self._lines.items():
                for line in lines:
                    writer.keep_in_quarantine(self._connection, source, line)
            if self._lines:
                writer.trim_quarantine(self._connection, self._kept_lines)
            write_job_runs(self._connection, self._job_runs)
            for name, body in states.items():
                writer.write_source_state(self._connection, name, now_ms, json.dumps(body))

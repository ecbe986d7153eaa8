"""The collector's way into the database: everything of a minute in one transaction, kept until it is in."""

import collections
import contextlib
import itertools
import json
import logging
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from config.errors import StoreError
from daemon import eventlog
from daemon.latest import latest_end_ms
from daemon.readings import LastReading, Rejected
from daemon.redating import MINUTE_MS, Stretch, room_ms, true_offsets
from daemon.state_news import FRESH_MS, STATES_EVERY_S
from daemon.store import undated, writer
from daemon.store.gauge_rows import GaugeRow, WaitingGauges
from daemon.store.gauges import add_gauge_minutes, add_undated_gauges
from daemon.store.job_runs import JobRun, write_job_runs
from daemon.store.undated import Anchor
from daemon.store.waiting_rows import WaitingRows
from daemon.store.write_log import LONG_BYTES, MOST_BYTES, cut_log
from daemon.store.writer import MinuteRow, Reject
from daemon.tally import last_readings
from daemon.timekeeping import CLEAR_MS, Newest

LINES_A_BATCH = 20
"""Rejected lines of a source kept from one batch; all are counted."""
HARMLESS = ("SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_FULL")
"""Failures after which the open file is as good as before."""
DATED = 0
"""In the place of an anchor's number: rows in UTC."""

log = logging.getLogger(__name__)


class BatchStore:
    """Owns the only connection that writes.

    What was handed in stays here until a transaction that holds it was committed; a failed write is tried again with
    the next one, together with what has come since. After a failure that lies in the file or its card, the file is
    opened anew: a card that was read-only or gone comes back as another one.

    Attributes:
        movable: there may be rows whose date has become known; `move_known` moves them, best before newer ones are
            committed, as rows that come to lie in one minute are joined exactly only in order of time.
        held_up: a reader has pinned the log for so long that commits are to be rare.

    Args:
        connection: of `open_lean_writer`.
        kept_lines: how many refused lines the quarantine keeps.
        reopen: opens the file anew; without it a broken connection is used on.
    """

    def __init__(
        self,
        connection: sqlite3.Connection,
        *,
        kept_lines: int,
        reopen: Callable[[], sqlite3.Connection] | None = None,
    ) -> None:
        self._connection = connection
        self._reopen = reopen
        self._broken = False
        self._log_is_long = False
        self.held_up = False
        self._kept_lines = kept_lines
        self._rows = WaitingRows()
        self._gauges = WaitingGauges()
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
        return len(self._rows) + len(self._gauges)

    @property
    def dropped_rows(self) -> int:
        """Rows that were left out because too many waited."""
        return self._rows.dropped + self._gauges.dropped

    def new_anchor(self) -> int:
        """A number for a new anchor."""
        self._next_anchor += 1
        return self._next_anchor - 1

    def keep_anchor(self, anchor: Anchor) -> None:
        """Take in what is believed of the clock, or something new of an anchor that is there.

        Under one that is known now there may be rows to move, those that wait for this commit too.
        """
        self._anchors[anchor.id] = anchor
        self._to_move = self._to_move or anchor.known

    def keep_rows(self, rows: Iterable[MinuteRow], *, anchor: int = DATED) -> None:
        """Take minute rows in; those of a minute that waits already are merged with it.

        Args:
            rows: in key order.
            anchor: under which they are counted on the monotonic clock; DATED for rows in UTC.
        """
        before = self._rows.dropped
        self._rows.add(rows, anchor=anchor)
        if self._rows.dropped > before:
            eventlog.say(log, logging.ERROR, "rows_thinned", dropped=self._rows.dropped, rows_kept=self.waiting_rows)

    def keep_gauges(self, rows: Iterable[GaugeRow], *, anchor: int = DATED) -> None:
        """Take rows of gauges in, under an anchor as `keep_rows`."""
        before = self._gauges.dropped
        self._gauges.add(rows, anchor=anchor)
        if self._gauges.dropped > before:
            eventlog.say(log, logging.ERROR, "rows_thinned", dropped=self._gauges.dropped, rows_kept=self.waiting_rows)

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
            self._mend()
            self._write(states, now_ms)
            self._cut_log()
        except (sqlite3.Error, StoreError) as error:
            self.failures += 1
            self._broken = getattr(error, "sqlite_errorname", "") not in HARMLESS
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
        self._gauges.clear()
        self._times.clear()
        self._lines.clear()
        self._job_runs.clear()
        return True

    def least_offset_ms(self, boot: str, *, dated_ms: int, steady_ms: int) -> int:
        """The least offset of this boot that dates all that waits after what is dated.

        Args:
            boot: this one.
            dated_ms: UTC epoch ms of the newest dated reading.
            steady_ms: now, on the monotonic clock.
        """
        kept = [row.minute * MINUTE_MS + row.first_ms for anchor, row in self._rows if anchor != DATED]
        stretches: list[Stretch] = []
        with contextlib.suppress(sqlite3.Error):  # what cannot be read now is not moved now
            stretches = undated.undated_stretches(self._connection)
        kept += [stretch.first_ms for stretch in stretches if stretch.boot == boot]
        return dated_ms + CLEAR_MS + room_ms(stretches, boot=boot) - min([steady_ms, *kept])

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
            self._know(stretch, offsets[stretch.anchor])
        return max((stretch.last_ms + offsets[stretch.anchor] for stretch in stretches), default=None)

    def accept_oldest(self, *, most_ms: int) -> int | None:
        """Take the oldest rows that wait for a date at their provisional ones, until no more than so much time waits.

        Returns:
            UTC epoch ms of the newest of them; None if there are none.
        """
        newest_ms: int | None = None
        stretches = undated.undated_stretches(self._connection)
        waiting_ms = sum(stretch.last_ms - stretch.first_ms for stretch in stretches)
        for stretch in stretches:
            if waiting_ms <= most_ms:
                break
            waiting_ms -= stretch.last_ms - stretch.first_ms
            newest_ms = max(newest_ms or 0, stretch.last_ms + stretch.offset_ms)
            self._know(stretch, stretch.offset_ms)
        return newest_ms

    def _know(self, stretch: Stretch, offset_ms: int) -> None:
        """Have the rows of a stretch dated by an offset."""
        self.keep_anchor(
            Anchor(id=stretch.anchor, boot=stretch.boot, steady_ms=stretch.first_ms, offset_ms=offset_ms, known=True)
        )

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

    def _mend(self) -> None:
        """Open the file anew if the last write failed by more than a full disk or a busy file."""
        if not self._broken or self._reopen is None:
            return
        self.close()
        self._connection = self._reopen()
        self._broken = False

    def look_at_log(self) -> None:
        """See whether the reader that pins the log is gone."""
        with contextlib.suppress(sqlite3.Error):  # the next commit tells
            self._cut_log()

    def _cut_log(self) -> None:
        """Cut the log where nobody reads; tell of a reader that keeps it from being cut."""
        size = cut_log(self._connection)
        self.held_up = size > MOST_BYTES
        if self._log_is_long != (size > LONG_BYTES):
            self._log_is_long = size > LONG_BYTES
            event = "log_pinned_by_a_reader" if self._log_is_long else "log_cut"
            eventlog.say(log, logging.WARNING, event, mb=f"{size / 1e6:.0f}")

    def remembered(self) -> dict[str, LastReading]:
        """The last readings that an earlier run stored."""
        found: dict[str, LastReading] = {}
        for (text,) in self._connection.execute("SELECT body FROM source_state").fetchall():
            with contextlib.suppress(ValueError):
                body = json.loads(text)
                found |= last_readings(body) if isinstance(body, dict) else {}
        return found

    def newest(self) -> Newest:
        """The newest readings that earlier runs collected.

        Rows may be newer than the states by STATES_EVERY_S; later ones are of log files.
        """
        found = self._connection.execute("SELECT body FROM source_state WHERE name = 'collector'").fetchone()
        noted: Mapping[str, Any] = {}
        with contextlib.suppress(ValueError, TypeError, KeyError):
            noted = json.loads(found[0])["clock"]
        shown_ms, dated_ms = noted.get("newest_ms"), noted.get("newest_dated_ms")
        dated_ms = dated_ms if isinstance(dated_ms, int) else None
        if dated_ms is not None:  # rows that were committed since the states were
            until_ms = dated_ms + round(1000 * STATES_EVERY_S) + FRESH_MS
            dated_ms = latest_end_ms(self._connection, from_ms=dated_ms, until_ms=until_ms) or dated_ms
        shown = (shown_ms, dated_ms, undated.last_end_ms(self._connection))
        return Newest(
            shown_ms=max((at_ms for at_ms in shown if isinstance(at_ms, int)), default=None), dated_ms=dated_ms
        )

    def _write(self, states: Mapping[str, Mapping[str, Any]], now_ms: int) -> None:
        with writer.transaction(self._connection):
            for anchor in self._anchors.values():
                undated.write_anchor(self._connection, anchor)
            by_anchor: dict[int, list[MinuteRow]] = {DATED: []}
            for number, row in self._rows:
                by_anchor.setdefault(number, []).append(row)
            writer.write_minutes(self._connection, by_anchor.pop(DATED))
            for number, rows in by_anchor.items():
                undated.write_undated(self._connection, number, rows)
            self._write_gauges()
            for (source, reason), times in self._times.items():
                writer.count_rejected(self._connection, source, reason, times)
            for source, lines in self._lines.items():
                for line in lines:
                    writer.keep_in_quarantine(self._connection, source, line)
            if self._lines:
                writer.trim_quarantine(self._connection, self._kept_lines)
            write_job_runs(self._connection, self._job_runs)
            for name, body in states.items():
                writer.write_source_state(self._connection, name, now_ms, json.dumps(body, separators=(",", ":")))

    def _write_gauges(self) -> None:
        """The rows of gauges, under their anchors, which are stored by now."""
        for anchor, group in itertools.groupby(self._gauges, key=lambda kept: kept[0]):
            rows = [row for _, row in group]
            if anchor == DATED:
                add_gauge_minutes(self._connection, rows)
            else:
                add_undated_gauges(self._connection, anchor, rows)

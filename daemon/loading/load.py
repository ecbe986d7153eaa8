"""Load log files into the database."""

import pathlib
import sqlite3
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from analysis.frames import Ints
from config.plant import Meter
from daemon.loading import exact
from daemon.loading.fresh import FreshDays
from daemon.loading.header import column_places
from daemon.loading.lines import MINUTE_MS, LineReader, Readings, joined
from daemon.loading.noting import note_file
from daemon.loading.rejects import Rejects
from daemon.loading.stream import LogStream, digest_of, first_line
from daemon.loading.sums import MinuteRows, in_order, minute_rows, restarts_by_uptime
from daemon.loading.tally import Counter, FileTally
from daemon.loading.too_late import LateHours
from daemon.loading.words import pad, unpadded
from daemon.store import records
from daemon.store.bulk import insert_columns
from daemon.store.hours import Deriver, KeptHours, make_deriver, refresh_hours
from daemon.store.opening import prepare_for_bulk, transaction

READINGS_AT_ONCE = 90_000
"""So many are put in order and stored together; a chunk of the file has less, to be read within the processor's cache."""
OPEN_MINUTES = 15
"""Minutes this near to the newest reading stay open: their late lines are still to come."""


class Loader:
    """Loads log files one after the other into an open database."""

    def __init__(
        self, connection: sqlite3.Connection, meters: Sequence[Meter], *, now_s: float, kept_lines: int
    ) -> None:
        """`meters` are the plant's; `kept_lines` is what the quarantine holds at the most."""
        self._connection = connection
        self._meters = tuple(meters)
        self._latest_ms = round(now_s * 1000) + exact.AHEAD_MS
        self._now_ms = round(now_s * 1000)
        self._kept_lines = kept_lines
        self._kept_hours: KeptHours = {}
        self._loaded: list[tuple[FileTally, LateHours]] = []
        prepare_for_bulk(connection)

    def load(
        self, path: pathlib.Path, *, again: bool = False, tell: Callable[[int], None] = lambda _read: None
    ) -> FileTally:
        """Load one file; a file of the same content is not loaded again.

        An interrupted load leaves a sound database; loading the file again completes it.

        Args:
            path: the log file, plain or gzip.
            again: read it even if it is in, as after a change of the plant's meters.
            tell: is told how many bytes were read since it was told before.

        Raises:
            InputMissing: there is no such file.
            InputUnusable: it cannot be read, or its header is not that of a log.
        """
        digest = digest_of(path)
        known = records.find_load(self._connection, digest)
        if known is not None and not again:
            tell(path.stat().st_size)
            return _known_tally(path.name, known)
        run = _FileRun(self._connection, self._meters, path, latest_ms=self._latest_ms, kept=self._kept_hours)
        run.rejects.keep(self._now_ms, self._kept_lines)
        tally = run.run(tell)
        with transaction(self._connection):
            note_file(self._connection, tally, run.rejects, digest=digest, again=known is not None)
        self._loaded.append((tally, run.late_hours))
        return tally

    def refresh_hours(self, tell: Callable[[int], None] | None = None) -> int:
        """Derive the hours that are behind, and count in each file's tally what came too late; how many days that were."""
        days = refresh_hours(self._connection, self._meters, tell=tell, kept=self._kept_hours)
        stayed = frozenset[tuple[int, int]]().union(*self._kept_hours.values())
        for tally, late_hours in self._loaded:
            tally.too_late = late_hours.within(stayed)
        return days


def _known_tally(name: str, known: records.Load) -> FileTally:
    """What is known of a file that is in."""
    return FileTally(
        name=name,
        lines=known.lines,
        accepted=known.accepted,
        already_loaded=True,
        first_ms=known.first_ms,
        last_ms=known.last_ms,
    )


def check_header(path: pathlib.Path) -> None:
    """Look at a log file's header without loading it.

    Raises:
        InputMissing: there is no such file.
        InputUnusable: it cannot be read, or its header is not that of a log.
    """
    _places(path, first_line(path))


def _places(path: pathlib.Path, header: bytes) -> Mapping[str, int]:
    """Column name -> index in a line."""
    return column_places(path, header, exact.COLUMNS, kind="a log file", further=(exact.UPTIME,))


class _FileRun:
    """One file on its way into the database."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        meters: tuple[Meter, ...],
        path: pathlib.Path,
        *,
        latest_ms: int,
        kept: KeptHours,
    ) -> None:
        self._connection = connection
        self._path = path
        self._latest_ms = latest_ms
        self._meters = meters
        self._deriver: Deriver = make_deriver(connection, meters)
        self._ids = np.array(self._deriver.ids, dtype=np.int64)
        self._fresh = FreshDays(connection, self._deriver, kept)
        self.late_hours = LateHours(connection, self._deriver.ids)
        self.tally = FileTally(name=path.name)
        self.rejects = Rejects(self.tally.rejected)
        self._counter = Counter(self.tally, self._deriver.bits)
        self._open: Readings | None = None
        self._newest_minute = -1
        self._with_uptime = False
        self._last_ms = np.zeros(len(meters), dtype=np.int64)
        self._last_uptime_ms = np.full(len(meters), exact.NO_UPTIME, dtype=np.int64)

    def run(self, tell: Callable[[int], None]) -> FileTally:
        """Bring everything in."""
        stream = LogStream(self._path, tell)
        chunks = stream.chunks()
        header, _newline, first = unpadded(next(chunks, pad())).partition(b"\n")
        places = _places(self._path, header)
        self._with_uptime = exact.UPTIME in places
        reader = LineReader(self._layout(places), self.rejects.add)
        gathered = [reader.read(pad(first))] if first else []
        for chunk in chunks:
            gathered.append(reader.read(chunk))
            if sum(map(len, gathered)) >= READINGS_AT_ONCE:
                self._take(joined(gathered))
                gathered = []
        if gathered:
            self._take(joined(gathered))
        self._seal(None)
        if stream.cut_line:
            self.rejects.add(reader.lines + 1, stream.cut_line, "cut short")
        self.tally.lines = reader.lines - 1 + bool(stream.cut_line)
        self.tally.accepted += reader.accepted - self.tally.doubled
        self.tally.damage = stream.damage
        self.tally.meters = tuple(
            meter.name for meter, seen in zip(self._meters, self._counter.seen, strict=True) if seen
        )
        return self.tally

    def _layout(self, places: Mapping[str, int]) -> exact.Layout:
        """What the lines must hold."""
        meters = {meter.name: (column, 1 << meter.counter_bits) for column, meter in enumerate(self._meters)}
        return exact.Layout(place=places, fields=len(places), meters=meters, latest_ms=self._latest_ms)

    def _take(self, readings: Readings) -> None:
        """Take over readings in the order of the file, and store the minutes that are complete."""
        self._counter.count_lines(readings)
        ordered = in_order(readings if self._open is None else joined([self._open, readings]))
        self.tally.doubled += ordered.doubled
        self._refuse_contrary(ordered.contrary)
        self._open = ordered.readings
        self._newest_minute = max(self._newest_minute, int(readings.at_ms.max(initial=-1)) // MINUTE_MS)
        # whole hours, so that the next chunk finds the hours that it completes free
        self._seal((self._newest_minute - OPEN_MINUTES) // 60 * 60)

    def _refuse_contrary(self, contrary: Readings) -> None:
        """Refuse readings that contradict another of the same meter and millisecond."""
        self.tally.accepted -= len(contrary)
        for column, at_ms, counted in zip(
            contrary.column.tolist(), contrary.at_ms.tolist(), contrary.counted.tolist(), strict=True
        ):
            text = f"{np.datetime64(at_ms, 'ms')}Z,{self._meters[column].name},{counted}"
            self.rejects.add(None, text.encode(), "another count at the same time")

    def _seal(self, before_minute: int | None) -> None:
        """Store the open minutes before one; all of them without it."""
        if self._open is None or not len(self._open):
            return
        restarted = restarts_by_uptime(self._open, self._last_ms, self._last_uptime_ms)
        # readings are in order of their minutes
        sealed = len(self._open)
        if before_minute is not None:
            sealed = int(np.count_nonzero(self._open.at_ms < before_minute * MINUTE_MS))
        if not sealed:
            return
        ready, self._open = self._open.take(slice(sealed)), self._open.take(np.arange(sealed, len(self._open)))
        self._remember(ready)
        self._store(minute_rows(ready, restarted[:sealed]), before_minute)

    def _remember(self, ready: Readings) -> None:
        """Note each meter's newest reading, for the restart that the next one may tell of."""
        if not self._with_uptime:
            return
        newest = np.flatnonzero(ready.at_ms >= self._last_ms[ready.column])
        order = newest[np.argsort(ready.at_ms[newest], kind="stable")]
        self._last_ms[ready.column[order]] = ready.at_ms[order]
        self._last_uptime_ms[ready.column[order]] = ready.uptime_ms[order]

    def _store(self, rows: MinuteRows, before_minute: int | None) -> None:
        """Store rows, and the hours that they complete."""
        self._counter.count_rows(rows)
        self.late_hours.count(rows)
        with transaction(self._connection):
            self._fresh.before_insert(rows)
            free = insert_columns(self._connection, self._columns(rows), in_blocks=before_minute is not None)
            self._fresh.after_insert(rows, free=free)
            self._fresh.derive(before_minute)

    def _columns(self, rows: MinuteRows) -> tuple[Ints, ...]:
        """Rows as the database's columns."""
        return (
            rows.minute,
            self._ids[rows.column],
            rows.part,
            rows.counted,
            rows.pulses,
            rows.at_ms,
            rows.span_ms,
            rows.low_mhz,
            rows.high_mhz,
            rows.samples,
            rows.restart,
        )

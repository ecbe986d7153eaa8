"""Gauge files: CSV `time_utc,channel,value`, plain or gzip, into a row a gauge and minute.

One file is held in memory as a whole, some 20 bytes a line: gauges speak once a minute or less, and a line that is out
of order may belong to any minute.
"""

import math
import pathlib
import re
import sqlite3
from array import array
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from analysis.frames import Floats, Ints
from config.gauge_units import PLAUSIBLE, SI_UNITS
from config.plant import Gauge
from daemon.loading.exact import AHEAD_MS, LineRefused, likely_time_ms, line_fields
from daemon.loading.header import column_places
from daemon.loading.noting import note_file
from daemon.loading.rejects import Rejects
from daemon.loading.stream import LogStream, digest_of, first_line
from daemon.loading.tally import Tally
from daemon.loading.words import unpadded
from daemon.store import records
from daemon.store.gauge_hours import outlived_hours
from daemon.store.gauge_rows import GaugeRow
from daemon.store.gauges import gauge_ids, write_gauge_minutes
from daemon.store.opening import transaction

COLUMNS = ("time_utc", "channel", "value")
MINUTE_MS = 60_000
HOUR_MS = 3_600_000
_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")


@dataclass(slots=True, kw_only=True)
class GaugeTally(Tally):
    """What a gauge file held; `gauges` are those that it speaks of."""

    gauges: tuple[str, ...] = ()


@dataclass(slots=True)
class _Values:
    """What the lines of a file say: gauge by its place, UTC epoch ms, value."""

    gauge: "array[int]" = field(default_factory=lambda: array("h"))
    at_ms: "array[int]" = field(default_factory=lambda: array("q"))
    value: "array[float]" = field(default_factory=lambda: array("d"))


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeLoader:
    """Loads gauge files into an open database.

    Attributes:
        gauges: the plant's. now_s: UTC epoch seconds. kept_lines: what the quarantine holds at the most.
        tell: is told how many bytes were read since it was told before.
    """

    connection: sqlite3.Connection
    gauges: Sequence[Gauge]
    now_s: float
    kept_lines: int
    tell: Callable[[int], None]
    _late: list[tuple[GaugeTally, dict[tuple[int, int], int]]] = field(default_factory=list, init=False)

    def load(self, path: pathlib.Path, *, again: bool) -> GaugeTally:
        """Load one file; one of the same content is not loaded again, unless `again`.

        Raises:
            InputMissing: there is no such file.
            InputUnusable: it cannot be read, or its header is not that of a gauge file.
        """
        digest = digest_of(path)
        known = records.find_load(self.connection, digest)
        tally = GaugeTally(name=path.name)
        if known is not None and not again:
            self.tell(path.stat().st_size)
            tally.lines, tally.accepted, tally.already_loaded = known.lines, known.accepted, True
            return tally
        rejects = Rejects(tally.rejected)
        rejects.keep(round(self.now_s * 1000), self.kept_lines)
        values = self._read(path, tally, rejects)
        gauge, at_ms, value = self._once(values, tally, rejects)
        number = np.array(gauge_ids(self.connection, [record.name for record in self.gauges]), dtype=np.int64)[gauge]
        with transaction(self.connection):
            write_gauge_minutes(self.connection, _minute_rows(number, at_ms, value))
            note_file(self.connection, tally, rejects, digest=digest, again=known is not None)
        by_hour = _by_hour(number, at_ms)
        self._late.append((tally, {pair: by_hour[pair] for pair in outlived_hours(self.connection, by_hour)}))
        return tally

    def count_too_late(self) -> None:
        """Count in each file's tally what came too late, once all files are in: a later one may complete an hour."""
        for tally, readings in self._late:
            tally.too_late = sum(readings[pair] for pair in outlived_hours(self.connection, readings))

    def _read(self, path: pathlib.Path, tally: GaugeTally, rejects: Rejects) -> _Values:
        """All lines that say something."""
        stream = LogStream(path, self.tell)
        places: Mapping[str, int] = {}
        values = _Values()
        line_no = 0
        for line in _lines(stream):
            line_no += 1
            if line_no == 1:
                places = _places(path, line)
                continue
            try:
                gauge, at_ms, value = self._line(line, places)
            except LineRefused as refused:
                rejects.add(line_no, line, str(refused))
                continue
            values.gauge.append(gauge)
            values.at_ms.append(at_ms)
            values.value.append(value)
        if stream.cut_line:
            line_no += 1
            rejects.add(line_no, stream.cut_line, "cut short")
        tally.lines, tally.damage = max(line_no - 1, 0), stream.damage
        return values

    def _line(self, line: bytes, places: Mapping[str, int]) -> tuple[int, int, float]:
        """The place of the gauge, UTC epoch ms and the value of one line.

        Raises:
            LineRefused: with the reason.
        """
        fields = line_fields(line, len(places))
        time, channel, text = (fields[places[name]] for name in COLUMNS)
        if (time, channel, text) == COLUMNS:
            raise LineRefused("another header")
        gauge = next((place for place, record in enumerate(self.gauges) if record.name == channel), None)
        if gauge is None:
            raise LineRefused("unknown gauge")
        at_ms = likely_time_ms(time, self.now_s * 1000 + AHEAD_MS)
        if not text.isascii() or not _NUMBER.fullmatch(text):
            raise LineRefused("value not a number")
        value = float(text)
        record = self.gauges[gauge]
        least, most = PLAUSIBLE[record.reads]
        if not least <= value * SI_UNITS[record.unit] <= most:
            raise LineRefused(f"{record.reads} that cannot be")
        return gauge, at_ms, value

    def _once(self, values: _Values, tally: GaugeTally, rejects: Rejects) -> tuple[Ints, Ints, Floats]:
        """Gauge, time and value of every moment once, in order; what contradicts another line is refused."""
        gauge = np.array(values.gauge, dtype=np.int64)
        at_ms = np.array(values.at_ms, dtype=np.int64)
        value = np.array(values.value, dtype=np.float64)
        order = np.lexsort((value, at_ms, gauge))
        gauge, at_ms, value = gauge[order], at_ms[order], value[order]
        again = np.zeros(len(order), dtype=np.bool_)
        again[1:] = (np.diff(gauge) == 0) & (np.diff(at_ms) == 0)
        first = np.flatnonzero(~again)[np.cumsum(~again) - 1] if len(order) else order
        for place in np.flatnonzero(again & (value != value[first])).tolist():
            told = f"{np.datetime64(int(at_ms[place]), 'ms')}Z,{self.gauges[int(gauge[place])].name},{value[place]:g}"
            rejects.add(None, told.encode(), "another value at the same time")
        tally.doubled = int(np.count_nonzero(again & (value == value[first])))
        kept = np.flatnonzero(~again)
        tally.accepted = len(kept)
        tally.gauges = tuple(self.gauges[place].name for place in np.unique(gauge).tolist())
        if len(kept):
            tally.first_ms, tally.last_ms = int(at_ms.min()), int(at_ms.max())
        return gauge[kept], at_ms[kept], value[kept]


def check_gauge_header(path: pathlib.Path) -> None:
    """Look at a gauge file's header without loading it.

    Raises:
        InputMissing: there is no such file.
        InputUnusable: it cannot be read, or its header is not that of a gauge file.
    """
    _places(path, first_line(path))


def _lines(stream: LogStream) -> Iterator[bytes]:
    """The lines of a file, without their ends."""
    for chunk in stream.chunks():
        yield from unpadded(chunk).removesuffix(b"\n").split(b"\n")


def _places(path: pathlib.Path, header: bytes) -> Mapping[str, int]:
    """Column name -> index in a line."""
    return column_places(path, header, COLUMNS, kind="a gauge file")


def _by_hour(gauge: Ints, at_ms: Ints) -> dict[tuple[int, int], int]:
    """How many values [N] lie in each (UTC epoch hour, gauge)."""
    pairs, counts = np.unique(np.column_stack([at_ms // HOUR_MS, gauge]), axis=0, return_counts=True)
    return {(hour, number): count for (hour, number), count in zip(pairs.tolist(), counts.tolist(), strict=True)}


def _minute_rows(gauge: Ints, at_ms: Ints, value: Floats) -> Iterator[GaugeRow]:
    """Rows from values [N] in order of gauge and time."""
    if not len(gauge):
        return
    minute = at_ms // MINUTE_MS
    starts = np.flatnonzero(np.concatenate([[True], (np.diff(gauge) != 0) | (np.diff(minute) != 0)]))
    samples = np.diff(np.append(starts, len(gauge)))
    mean = np.add.reduceat(value, starts) / samples
    squares = np.add.reduceat((value - np.repeat(mean, samples)) ** 2, starts)
    columns = (column.tolist() for column in (minute[starts], gauge[starts], mean, squares, samples))
    for at, number, middle, apart, count in zip(*columns, strict=True):
        yield GaugeRow(at, number, middle, math.sqrt(apart / (count - 1)) if count > 1 else None, count)

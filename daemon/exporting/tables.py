"""What can be exported: each table's columns, and its rows a span of time at once."""

import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from config.plant import Meter, Plant
from config.units import flow_in
from daemon.exporting.files import Column, Kind, Row
from daemon.metered import Metered
from daemon.store.blocks import MINUTE_MS, MINUTES, read_blocks
from daemon.store.gauges import read_gauge_hours, read_gauge_rows
from daemon.store.journal import read_events
from daemon.store.keys import row_key
from daemon.store.merging import MinuteRow
from daemon.store.writer import FIELDS

HOUR_MS = 3_600_000
GAP_MS = 600_000
"""Rows further apart than this give no flow between them, as in the hours."""
SI_FLOW = "m3_per_s"


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A stretch of time, UTC epoch milliseconds: from, and up to but without."""

    from_ms: int
    to_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What is asked of the tables.

    Attributes:
        meters: names; what is of other meters is left out, gauges are not. Empty for all.
        si: flows in m3/s rather than in the plant's unit.
    """

    plant: Plant
    meters: tuple[str, ...]
    si: bool

    @property
    def flow_column(self) -> Column:
        """The column of flows, with its unit."""
        unit = SI_FLOW if self.si else self.plant.flow_unit.lower().replace("gal", "us_gal").replace("/", "_per_")
        return Column(name=f"flow_{unit}", kind=Kind.NUMBER)

    @property
    def flow_scale(self) -> float:
        """What turns m3/s into that unit."""
        return 1.0 if self.si else flow_in(self.plant.flow_unit, 1.0)


class Source:
    """Rows of the database for a request, in the names of meters and runs."""

    def __init__(self, connection: sqlite3.Connection, request: Request) -> None:
        self._connection = connection
        self._flow_scale = request.flow_scale
        plant = request.plant
        gauges: dict[int, str] = dict(connection.execute("SELECT id, name FROM gauge").fetchall())
        self._gauges = gauges
        self._gauge_records = {gauge.name: gauge for gauge in plant.gauges}
        names: dict[int, str] = dict(connection.execute("SELECT id, name FROM meter").fetchall())
        self._names = {number: name for number, name in names.items() if not request.meters or name in request.meters}
        self._meters: Mapping[str, Meter] = {meter.name: meter for meter in plant.meters}
        runs = {meter.name: plant.run_of_meter(meter.name) for meter in plant.meters}
        self._runs = {name: run.name for name, run in runs.items() if run is not None}
        events = read_events(connection)
        self._metered = {meter.name: Metered(meter, events) for meter in plant.meters}
        self._before: dict[int, MinuteRow] = {}

    def counts(self, span: Span) -> Iterator[Row]:
        """The first and the last reading of every minute, as a log file has them."""
        for row in self._minute_rows(span):
            if row.span_ms:
                first = row.first_count % (1 << self._bits(row.meter))
                yield row.minute * MINUTE_MS + row.first_ms, self._names[row.meter], first
            yield row.minute * MINUTE_MS + row.at_ms, self._names[row.meter], row.counted

    def minutes(self, span: Span) -> Iterator[Row]:
        """Every minute row, with the flow since the row before."""
        for row in self._minute_rows(span):
            name = self._names[row.meter]
            end_ms = row.minute * MINUTE_MS + row.at_ms
            pulses, seconds = self._since(row)
            rates = [None if rate is None else rate / 1000 for rate in (row.low_mhz, row.high_mhz)]
            flow = None if pulses is None or not seconds else self._flow(name, pulses / seconds, end_ms)
            yield (
                end_ms, name, self._runs.get(name), row.counted, pulses, seconds,
                *rates, row.samples, bool(row.restart), flow,
            )  # fmt: skip

    def hours(self, span: Span) -> Iterator[Row]:
        """Every hour row, with its mean flow while the pump ran."""
        rows = self._connection.execute(
            "SELECT hour, meter, pulses, seconds, off_s FROM hour WHERE hour >= ? AND hour < ? ORDER BY hour, meter",
            (-(-span.from_ms // HOUR_MS), -(-span.to_ms // HOUR_MS)),
        ).fetchall()
        for hour, meter, pulses, seconds, off_s in rows:
            name = self._names.get(meter)
            if name is not None:
                flow = self._flow(name, pulses / seconds, hour * HOUR_MS) if seconds > 0 else None
                yield hour * HOUR_MS, name, self._runs.get(name), pulses, seconds, off_s, flow

    def journal(self, span: Span) -> Iterator[Row]:
        """What the keeper did, as an events file has it."""
        yield from self._connection.execute(
            "SELECT at_ms, kind, target, value, source FROM journal WHERE at_ms >= ? AND at_ms < ? ORDER BY at_ms, id",
            (span.from_ms, span.to_ms),
        ).fetchall()

    def gauges(self, span: Span) -> Iterator[Row]:
        """The minutes of the gauges that begin in the span."""
        minutes = (-(-span.from_ms // MINUTE_MS), -(-span.to_ms // MINUTE_MS))
        for row in read_gauge_rows(self._connection, from_minute=minutes[0], to_minute=minutes[1]):
            yield row.minute * MINUTE_MS, *self._gauge(row.gauge), row.mean, row.sd, row.samples

    def gauge_hours(self, span: Span) -> Iterator[Row]:
        """The hours of the gauges that begin in the span: the median of their minutes, also where those are dropped."""
        numbers = sorted(self._gauges)
        names = [self._gauges[number] for number in numbers]
        hours = (-(-span.from_ms // HOUR_MS), -(-span.to_ms // HOUR_MS))
        found = read_gauge_hours(self._connection, names, from_hour=hours[0], to_hour=hours[1])
        for place, hour, median in sorted(found, key=lambda row: (row[1], row[0])):
            yield hour * HOUR_MS, *self._gauge(numbers[place]), median

    def _gauge(self, number: int) -> tuple[str, str | None, str | None]:
        """Name, what it reads and its unit; None for a gauge that the plant file no longer has."""
        name = self._gauges[number]
        record = self._gauge_records.get(name)
        return (name, None, None) if record is None else (name, record.reads.value, record.unit)

    def findings(self, span: Span) -> Iterator[Row]:
        """What the assessments found that stood in the span."""
        yield from self._connection.execute(
            "SELECT id, raised_ms, over_ms, ended, status, summary, action, body FROM finding"
            " WHERE raised_ms < ? AND ifnull(over_ms, raised_ms + 1) > ? ORDER BY raised_ms, id",
            (span.to_ms, span.from_ms),
        ).fetchall()

    def quarantine(self, span: Span) -> Iterator[Row]:
        """Refused lines that are still kept, by when they first came."""
        yield from self._connection.execute(
            "SELECT first_ms, source, line_no, reason, times, line FROM quarantine"
            " WHERE first_ms >= ? AND first_ms < ? ORDER BY first_ms, id",
            (span.from_ms, span.to_ms),
        ).fetchall()

    def _minute_rows(self, span: Span) -> list[MinuteRow]:
        """Minute rows whose last reading lies in the span, whether they are kept as rows or as blocks."""
        from_minute, to_minute = span.from_ms // MINUTE_MS, -(-span.to_ms // MINUTE_MS)
        found = self._connection.execute(
            f"SELECT {FIELDS} FROM minute WHERE slot >= ? AND slot < ?",  # noqa: S608 - constants
            (row_key(from_minute, 0), row_key(to_minute, 0)),
        ).fetchall()
        rows = [MinuteRow(*row) for row in found]
        rows += read_blocks(self._connection, from_minute // MINUTES, -(-to_minute // MINUTES))
        return sorted(
            row
            for row in rows
            if row.meter in self._names and span.from_ms <= row.minute * MINUTE_MS + row.at_ms < span.to_ms
        )

    def _since(self, row: MinuteRow) -> tuple[int | None, float | None]:
        """Pulses and seconds since the meter's row before; None where the counter did not run on, or after a gap."""
        before = self._before.get(row.meter)
        self._before[row.meter] = row
        if before is None:
            return None, None
        span_ms = (row.minute - before.minute) * MINUTE_MS + row.at_ms - before.at_ms
        pulses = row.counted - before.counted
        if pulses < 0 and self._bits(row.meter) == 16:  # noqa: PLR2004 - the narrow counters wrap every few minutes
            pulses += 1 << 16
        if row.restart or pulses < 0 or not 0 < span_ms <= GAP_MS:
            return None, None
        return pulses, span_ms / 1000

    def _bits(self, number: int) -> int:
        """Width of a meter's counter; a meter that the plant file no longer has counted in 32 bits."""
        meter = self._meters.get(self._names[number])
        return 32 if meter is None else meter.counter_bits

    def _flow(self, name: str, rate_hz: float, at_ms: int) -> float | None:
        """Flow in the unit asked for; None for a meter that the plant file no longer has."""
        metered = self._metered.get(name)
        return None if metered is None else self._flow_scale * metered.flow_m3s(rate_hz, at_ms / 1000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table that can be exported.

    Attributes:
        days: how much of it is read at once; None for all, of tables that are always small.
    """

    name: str
    columns: Sequence[Column]
    rows: Callable[[Source, Span], Iterator[Row]]
    days: int | None


def tables_of(request: Request) -> dict[str, Table]:
    """All tables by name, in the order in which they are written."""
    flow = request.flow_column
    tables = (
        Table(name="counts", columns=_columns("time_utc meter pulses:whole"), rows=Source.counts, days=1),
        Table(
            name="minutes",
            columns=(
                *_columns(
                    "time_utc meter run pulses:whole pulses_since_row_before:whole seconds_since_row_before:number"
                    " lowest_hz:number highest_hz:number readings:whole restart:yes"
                ),
                flow,
            ),
            rows=Source.minutes,
            days=1,
        ),
        Table(
            name="hours",
            columns=(*_columns("time_utc meter run pulses:number seconds:number pump_off_seconds:number"), flow),
            rows=Source.hours,
            days=32,
        ),
        Table(
            name="gauges",
            columns=_columns("time_utc gauge reads unit mean:number sd:number values:whole"),
            rows=Source.gauges,
            days=8,
        ),
        Table(
            name="gauge_hours",
            columns=_columns("time_utc gauge reads unit median:number"),
            rows=Source.gauge_hours,
            days=32,
        ),
        Table(name="journal", columns=_columns("time_utc kind target value source"), rows=Source.journal, days=None),
        Table(
            name="findings",
            columns=_columns("id raised_utc over_utc ended status summary action details_json"),
            rows=Source.findings,
            days=None,
        ),
        Table(
            name="quarantine",
            columns=_columns("first_utc source line_no:whole reason times:whole line"),
            rows=Source.quarantine,
            days=None,
        ),
    )
    return {table.name: table for table in tables}


TABLE_NAMES = ("counts", "minutes", "hours", "gauges", "gauge_hours", "journal", "findings", "quarantine")


def _columns(text: str) -> tuple[Column, ...]:
    """Columns from `name` (text, or a time if it ends in _utc) and `name:kind`."""
    kinds = {"whole": Kind.WHOLE, "number": Kind.NUMBER, "yes": Kind.YES_NO}
    columns = []
    for word in text.split():
        name, _, kind = word.partition(":")
        usual = Kind.TIME if name.endswith("_utc") else Kind.TEXT
        columns.append(Column(name=name, kind=kinds.get(kind, usual)))
    return tuple(columns)

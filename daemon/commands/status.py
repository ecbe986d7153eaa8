"""`clearbore status`: what each meter last said, and how collecting goes."""

import json
import math
import pathlib
import sqlite3
import sys
import zoneinfo
from collections.abc import Iterator, Sequence
from typing import Any

import click

from analysis.patience import GAP_S
from config.load import load_plant
from config.plant import Plant
from config.settings import PlantFile
from config.units import flow_in, show_flow
from daemon import clock, upkeep_words
from daemon.clock_words import clock_state, clock_words
from daemon.status import GaugeStatus, MeterStatus, SourceStatus, Status, read_status
from daemon.store.opening import default_path, open_reader, storage_errors
from daemon.tables import columns

ALARM_ACTIVE = 1
GOOD_FRESH_S = 60.0
"""Counts that were noted within this are told without their age."""
EDGES_WORTH_A_WORD = 0.1
"""Share of edges thrown away from which a counter's contact or wiring is to be looked at (common practice, no source)."""


@click.command(
    name="status",
    epilog="Exit code 1: an alarm is active: a meter with a source has said nothing for more than 10 minutes (longer, if it is slow by its way), a finding"
    " stands, the disk is nearly full, the database is damaged, or a job fails again and again. 66: no database.",
)
@click.argument("plant", type=click.Path(path_type=pathlib.Path))
@click.option(
    "--db",
    type=click.Path(path_type=pathlib.Path),
    help="The database.  [default: beside the plant file, with the suffix .db]",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
def command(plant: pathlib.Path, *, db: pathlib.Path | None, as_json: bool) -> None:
    """Say what each meter of the plant file PLANT last said, how its ports and brokers do, and how the upkeep goes.

    Findings are those of the last judgement beside the collector, with its time; `clearbore diagnose` judges now.

    No flow is not silence: a meter whose counter goes on reporting the same count is heard.
    """
    plant_file = load_plant(plant)
    path = db or default_path(plant)
    now_s = clock.now_s()
    connection = open_reader(path, watching=True)
    try:
        with storage_errors(path):
            status = read_status(connection, plant_file.plant, path, now_s=now_s)
    finally:
        connection.close()
    alarms = [*_silence(status), *upkeep_words.alarms_of(status.upkeep, now_s=now_s)]
    for line in _lines(plant_file, status, path, alarms, now_s=now_s):
        click.echo(line, err=as_json)
    if as_json:
        said = _as_json(plant_file.plant, status, path, now_s) | {"alarms": alarms}
        click.echo(json.dumps(said, ensure_ascii=False))
    if alarms:
        sys.exit(ALARM_ACTIVE)


def _silence(status: Status) -> Iterator[str]:
    """The alarms of meters and gauges that say nothing, by how long that may be."""
    after_s = {meter.name: meter.silent_after_s for meter in status.meters}
    minutes = {name: math.ceil(after_s.get(name, GAP_S) / 60) for name in status.silent}
    for longest in sorted(set(minutes.values())):
        yield f"silent for more than {longest} minutes: {', '.join(name for name in minutes if minutes[name] == longest)}"


def _lines(
    plant_file: PlantFile, status: Status, path: pathlib.Path, alarms: Sequence[str], *, now_s: float
) -> Iterator[str]:
    """The status in text, what must be acted on first."""
    plant = plant_file.plant
    zone = zoneinfo.ZoneInfo(plant.timezone)
    yield f"{plant.name}: {_collector_words(plant, status, zone)}"
    if status.collector.seen_ms is not None:
        yield clock_words(status.collector.clock, undated_rows=status.undated_rows)
    yield from (f"ALARM: {alarm}" for alarm in alarms)
    yield ""
    yield from columns(
        [
            ("meter", "run", "last reading", "pulses/s", "flow", "restarts in a day"),
            *(_meter_cells(meter, plant.flow_unit, zone) for meter in status.meters),
        ]
    )
    if status.gauges:
        yield ""
        yield from columns([("gauge", "last values", "shown"), *(_gauge_cells(gauge, zone) for gauge in status.gauges)])
    if status.sources:
        yield ""
        yield from columns(
            [
                ("source", "at", "good, this run", "rejected, ever", "state"),
                *(_source_cells(source, running=status.collector.running, now_s=now_s) for source in status.sources),
            ]
        )
    for source in status.sources:
        yield from (f"  {source.name} rejected: {reason}: {times:,}" for reason, times in source.rejected.items())
    for name, reasons in status.other_rejected.items():
        yield f"  {name} rejected: {', '.join(f'{reason}: {times:,}' for reason, times in reasons.items())}"
    yield ""
    yield from upkeep_words.lines_of(status.upkeep, zone, plant_file.path, now_s=now_s)
    yield f"database {path}: {_size(status.database_bytes)}{_span(status, zone)}"
    yield from _advice(status)


def _collector_words(plant: Plant, status: Status, zone: zoneinfo.ZoneInfo) -> str:
    """Whether someone collects."""
    collector = status.collector
    if collector.running:
        return f"collecting since {_time(collector.started_ms, zone)}"
    if collector.stopped_ms is not None:
        return f"not collecting; stopped {_time(collector.stopped_ms, zone)}"
    if collector.seen_ms is not None:
        return f"not collecting; the collector ended without a word after {_time(collector.seen_ms, zone)}"
    if all(
        fed is None for fed in (*(meter.source for meter in plant.meters), *(gauge.source for gauge in plant.gauges))
    ):
        return "no meter or gauge has a source, so all readings come from log files (`clearbore load`)"
    return "nothing was ever collected into this database (start `clearbore collect`)"


def _meter_cells(meter: MeterStatus, flow_unit: str, zone: zoneinfo.ZoneInfo) -> tuple[str, ...]:
    """A meter's line."""
    if meter.last_ms is None or meter.age_s is None:
        last = "none yet" if meter.source is not None and not meter.silent else "none in the last 7 days"
    else:
        last = _time(meter.last_ms, zone) if meter.source is None else f"{upkeep_words.duration(meter.age_s)} ago"
    return (
        meter.name,
        meter.run or "-",
        f"SILENT, {last}" if meter.silent else last,
        "-" if meter.rate_hz is None else f"{meter.rate_hz:.2f}",
        "-" if meter.flow_m3s is None else show_flow(meter.flow_m3s, flow_unit),
        str(meter.restarts),
    )


def _gauge_cells(gauge: GaugeStatus, zone: zoneinfo.ZoneInfo) -> tuple[str, ...]:
    """A gauge's line."""
    if gauge.last_ms is None or gauge.age_s is None:
        last = "none yet" if gauge.source is not None and not gauge.silent else "none in the last 7 days"
    else:
        last = _time(gauge.last_ms, zone) if gauge.source is None else f"{upkeep_words.duration(gauge.age_s)} ago"
    return (
        gauge.name,
        f"SILENT, {last}" if gauge.silent else last,
        "-" if gauge.value is None else f"{gauge.value:.4g} {gauge.unit}",
    )


def _source_cells(source: SourceStatus, *, running: bool, now_s: float) -> tuple[str, ...]:
    """A source's line."""
    state = source.words if source.up or source.since_ms is None else f"DOWN: {source.words}"
    if not running and source.since_ms is not None:
        state = f"not collecting; was {source.words}"
    return (
        source.name,
        source.where,
        _good(source, running=running, now_s=now_s),
        f"{sum(source.rejected.values()):,}",
        state,
    )


def _good(source: SourceStatus, *, running: bool, now_s: float) -> str:
    """How many good lines, and of when that is: while collecting goes on there are more by now."""
    age_s = now_s - (source.good_ms or 0) / 1000
    if not running or source.good_ms is None or age_s < GOOD_FRESH_S:
        return f"{source.good:,}"
    return f"{source.good:,} ({upkeep_words.duration(age_s)} ago)"


def _advice(status: Status) -> Iterator[str]:
    """What to look at."""
    if status.silent:
        yield ""
        if status.collector.running:
            yield f"{', '.join(status.silent)}: look at the state of its source above, then at the device's power and cable; silence is not zero flow"
        else:
            yield "nobody collects: start `clearbore collect`, or see what the service manager says"
    for meter in status.meters:
        if meter.edges and meter.count is not None and meter.edges > EDGES_WORTH_A_WORD * (meter.count + meter.edges):
            yield (
                f"{meter.name}: its counter threw away {meter.edges:,} edges beside {meter.count:,} counted: "
                "look at the meter's contact and wiring, and whether pulses come faster than the counter accepts"
            )
    if status.collector.lost:
        yield f"{status.collector.lost:,} lines or messages were turned away because the collector was busy"
    if status.collector.write_failures:
        yield f"the database refused {status.collector.write_failures:,} writes since the collector started; see its log"
    if status.collector.rows_dropped:
        yield (
            f"{status.collector.rows_dropped:,} minute rows were left out because the database could not be written for "
            "more than a day; pulses are still in the rows beside them, what gauges showed in them is not"
        )


def _time(at_ms: float | None, zone: zoneinfo.ZoneInfo) -> str:
    """Local time of the plant, to the minute."""
    if at_ms is None:
        return "an unknown time"
    return clock.local_text(at_ms / 1000, zone)


def _size(count: int) -> str:
    """Bytes in kB or MB."""
    return f"{count / 1e6:.1f} MB" if count >= 1_000_000 else f"{count / 1e3:.0f} kB"  # noqa: PLR2004 - a million


def _span(status: Status, zone: zoneinfo.ZoneInfo) -> str:
    """From when to when there are readings."""
    if status.first_minute is None or status.last_minute is None:
        return ", no readings yet"
    first, last = (_time(minute * 60_000, zone) for minute in (status.first_minute, status.last_minute))
    return f", readings from {first} to {last} ({zone.key})"


def _as_json(plant: Plant, status: Status, path: pathlib.Path, now_s: float) -> dict[str, Any]:
    """The status for machines."""
    collector = status.collector
    return {
        "plant": plant.name,
        "at": clock.utc_text(now_s),
        "collector": {
            "running": collector.running,
            "pid": collector.pid,
            "started_at": clock.utc_text_of_ms(collector.started_ms),
            "seen_at": clock.utc_text_of_ms(collector.seen_ms),
            "stopped_at": clock.utc_text_of_ms(collector.stopped_ms),
            "turned_away": collector.lost,
            "write_failures": collector.write_failures,
            "rows_dropped": collector.rows_dropped,
            "clock": clock_state(collector.clock),
            "rows_without_date": status.undated_rows,
        },
        "sources": [_source_json(source) for source in status.sources],
        "meters": [_meter_json(meter) for meter in status.meters],
        "gauges": [_gauge_json(gauge) for gauge in status.gauges],
        "rejected_in_logs": status.other_rejected,
        "silent": list(status.silent),
        "database": {
            "path": str(path),
            "bytes": status.database_bytes,
            "first_at": None if status.first_minute is None else clock.utc_text(status.first_minute * 60),
            "last_at": None if status.last_minute is None else clock.utc_text(status.last_minute * 60),
            "sqlite_version": sqlite3.sqlite_version,
        },
    } | upkeep_words.json_of(status.upkeep, now_s=now_s)


def _source_json(source: SourceStatus) -> dict[str, Any]:
    """A source for machines."""
    return {
        "name": source.name,
        "at": source.where,
        "up": source.up,
        "state": source.words,
        "since": clock.utc_text_of_ms(source.since_ms),
        "good": source.good,
        "good_at": clock.utc_text_of_ms(source.good_ms),
        "rejected": dict(source.rejected),
    }


def _gauge_json(gauge: GaugeStatus) -> dict[str, Any]:
    """A gauge for machines."""
    return {
        "name": gauge.name,
        "source": gauge.source,
        "last_at": clock.utc_text_of_ms(gauge.last_ms),
        "value": gauge.value,
        "unit": gauge.unit,
        "silent": gauge.silent,
        "passed_over": gauge.passed_over,
    }


def _meter_json(meter: MeterStatus) -> dict[str, Any]:
    """A meter for machines."""
    return {
        "name": meter.name,
        "run": meter.run,
        "source": meter.source,
        "last_reading_at": clock.utc_text_of_ms(meter.last_ms),
        "age_s": None if meter.age_s is None else round(meter.age_s, 1),
        "silent": meter.silent,
        "pulses": meter.count,
        "rate_hz": meter.rate_hz,
        "flow_l_per_h": None if meter.flow_m3s is None else round(flow_in("L/h", meter.flow_m3s), 3),
        "restarts_in_a_day": meter.restarts,
        "edges_thrown_away": meter.edges,
    }

"""How collecting goes, read from the database alone. Works on the base install and without numpy."""

import json
import os
import pathlib
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.events import Event
from analysis.factors import factors_at
from analysis.patience import GAP_S
from config.plant import Gauge, Meter, Plant, SerialSource
from daemon.latest import end_ms, last_minute, latest_rows
from daemon.metered import flow_at
from daemon.newest import NEWEST, rate_hz_of, silent_after_s_of
from daemon.state_news import STATES_EVERY_S
from daemon.store.blocks import first_minute
from daemon.store.gauges import MINUTE_MS, latest_gauge_row
from daemon.store.journal import read_events
from daemon.store.keys import row_key
from daemon.store.undated import undated_rows
from daemon.upkeep import size_of
from daemon.upkeep_status import UpkeepStatus, read_upkeep

SIGN_OF_LIFE_S = 180.0
"""The collector writes once a minute, rows or its state; three missed are no accident."""
LOOK_BACK_MINUTES = 7 * 24 * 60
DAY_MINUTES = 24 * 60


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterStatus:
    """What a meter last said.

    Attributes:
        source: `serial:NAME` or `mqtt:NAME`; None for a meter that is fed from log files only.
        last_ms: UTC epoch milliseconds of the last reading of the last seven days of readings; None without one.
        silent: it has a source and was not heard for `silent_after_s`; one that never was, not since the collector started GAP_S
            ago.
        silent_after_s: GAP_S, or more of a meter that is slow by its way.
        rate_hz: pulses a second over the last minute of readings; None if they are too few.
        restarts: known restarts of its counter in the last day of readings.
        edges: edges that its counter threw away since it started; None if it does not say.
    """

    name: str
    run: str | None
    source: str | None
    last_ms: int | None
    count: int | None
    rate_hz: float | None
    flow_m3s: float | None
    restarts: int
    edges: int | None
    age_s: float | None
    silent: bool
    silent_after_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStatus:
    """What a gauge last showed.

    Attributes:
        source: `serial:NAME` or `mqtt:NAME`; None for a gauge that is fed from files only.
        last_ms: UTC epoch milliseconds of the minute of its last values, of the last seven days of readings; None without one.
        value: their mean, in its unit.
        silent: as of a meter.
        passed_over: values that another one stood for, since the collector started.
    """

    name: str
    unit: str
    source: str | None
    last_ms: int | None
    value: float | None
    age_s: float | None
    silent: bool
    passed_over: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceStatus:
    """What a source last said of itself.

    Attributes:
        up: only while the collector runs.
        good: lines or messages from the start of the collector to `good_ms`, UTC epoch milliseconds: the collector
            notes them every ten minutes; None where it never did.
    """

    name: str
    where: str
    up: bool
    words: str
    since_ms: int | None
    good: int
    good_ms: int | None
    rejected: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class CollectorStatus:
    """Whether the collector runs, and what it last noted of the clock and its jobs (daemon.tally).

    Times in UTC epoch milliseconds, None where it never ran.
    """

    running: bool
    pid: int | None
    started_ms: int | None
    seen_ms: int | None
    stopped_ms: int | None
    lost: int
    write_failures: int
    rows_dropped: int
    clock: Mapping[str, Any]
    jobs: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """Everything.

    Attributes:
        other_rejected: lines of log files, by source and reason.
        upkeep: what was found, jobs, copies, the disk.
        undated_rows: minute rows that wait for their date.
    """

    collector: CollectorStatus
    sources: tuple[SourceStatus, ...]
    meters: tuple[MeterStatus, ...]
    other_rejected: Mapping[str, Mapping[str, int]]
    database_bytes: int
    first_minute: int | None
    last_minute: int | None
    upkeep: UpkeepStatus
    undated_rows: int = 0
    gauges: tuple[GaugeStatus, ...] = ()

    @property
    def silent(self) -> tuple[str, ...]:
        """Meters and gauges with a source that say nothing."""
        meters = (meter.name for meter in self.meters if meter.silent)
        return (*meters, *(gauge.name for gauge in self.gauges if gauge.silent))


def read_status(connection: sqlite3.Connection, plant: Plant, db: pathlib.Path, *, now_s: float) -> Status:
    """Gather the status.

    Args:
        connection: of `open_reader`.
        plant: whose meters and sources to look for.
        db: path of the database, for its size.
        now_s: UTC epoch seconds.
    """
    states = _states(connection)
    rejected = _rejected(connection)
    newest = last_minute(connection)
    noted_ms, body = states.get("collector", (None, {}))
    collector = _collector(_seen_ms(noted_ms, newest, now_s=now_s), body, now_s=now_s)
    look = _Look(
        connection=connection,
        plant=plant,
        events=read_events(connection),
        from_minute=(newest or 0) - LOOK_BACK_MINUTES,
        restarts=_restarts(connection, (newest or 0) - DAY_MINUTES),
        states=states,
        just_started=collector.running and now_s - (collector.started_ms or 0) / 1000 <= GAP_S,
        now_s=now_s,
    )
    sources = _source_names(plant)
    return Status(
        collector=collector,
        sources=tuple(
            _source(states.get(name, (None, {})), name, where, rejected.get(name, {}), running=collector.running)
            for name, where in sources.items()
        ),
        meters=tuple(_meter(meter, look) for meter in plant.meters),
        other_rejected={name: reasons for name, reasons in rejected.items() if name not in sources},
        database_bytes=size_of(db),
        first_minute=first_minute(connection),
        last_minute=newest,
        upkeep=read_upkeep(connection, db, collector.jobs, now_s=now_s),
        undated_rows=undated_rows(connection),
        gauges=tuple(_gauge(gauge, look) for gauge in plant.gauges),
    )


_States = Mapping[str, tuple[int, Mapping[str, Any]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """What every meter's status is made from."""

    connection: sqlite3.Connection
    plant: Plant
    events: Sequence[Event]
    from_minute: int
    restarts: Mapping[str, int]
    states: _States
    just_started: bool
    now_s: float


def source_of(fed: Meter | Gauge) -> str | None:
    """The name of the source of a meter or gauge as the collector writes it."""
    if fed.source is None:
        return None
    if isinstance(fed.source, SerialSource):
        return f"serial:{fed.source.port}"
    return f"mqtt:{fed.source.broker}"


def _source_names(plant: Plant) -> dict[str, str]:
    """Ports and brokers that a meter or gauge needs, with where they are."""
    used = {source_of(meter) for meter in plant.meters} | {source_of(gauge) for gauge in plant.gauges}
    ports = {f"serial:{port.name}": port.port for port in plant.serial_ports}
    brokers = {f"mqtt:{broker.name}": f"{broker.host}:{broker.port}" for broker in plant.brokers}
    return {name: where for name, where in (ports | brokers).items() if name in used}


def _states(connection: sqlite3.Connection) -> _States:
    """(time, body) by name; a body that is no JSON object counts as empty."""
    found: dict[str, tuple[int, Mapping[str, Any]]] = {}
    for name, at_ms, text in connection.execute("SELECT name, at_ms, body FROM source_state").fetchall():
        try:
            body = json.loads(text)
        except ValueError:
            body = {}
        found[name] = (at_ms, body if isinstance(body, dict) else {})
    return found


def _rejected(connection: sqlite3.Connection) -> dict[str, dict[str, int]]:
    """How often by source and reason."""
    found: dict[str, dict[str, int]] = {}
    for source, reason, times in connection.execute("SELECT source, reason, times FROM rejected").fetchall():
        found.setdefault(source, {})[reason] = times
    return found


def _seen_ms(noted_ms: int | None, newest_minute: int | None, *, now_s: float) -> int | None:
    """When the collector last wrote: its state, or since then a minute of readings."""
    if noted_ms is None or newest_minute is None or now_s - noted_ms / 1000 > STATES_EVERY_S + SIGN_OF_LIFE_S:
        return noted_ms  # such rows are of a log file
    minute_ms = 60_000 * newest_minute
    return max(noted_ms, minute_ms) if minute_ms <= 1000 * now_s else noted_ms


def _collector(seen_ms: int | None, body: Mapping[str, Any], *, now_s: float) -> CollectorStatus:
    """Whether the collector lives, from its last words and its process."""
    pid = body.get("pid")
    fresh = seen_ms is not None and abs(now_s - seen_ms / 1000) <= SIGN_OF_LIFE_S
    running = fresh and body.get("stopped_ms") is None and isinstance(pid, int) and _lives(pid)
    return CollectorStatus(
        running=running,
        pid=pid,
        started_ms=body.get("started_ms"),
        seen_ms=seen_ms,
        stopped_ms=body.get("stopped_ms"),
        lost=body.get("lost", 0),
        write_failures=body.get("write_failures", 0),
        rows_dropped=body.get("rows_dropped", 0),
        clock=body.get("clock", {}),
        jobs=body.get("jobs", {}) if running else _what_ran(body.get("jobs", {})),
    )


def _what_ran(jobs: Mapping[str, Any]) -> dict[str, Any]:
    """Of jobs that nobody runs any more, what they did: nothing is to come."""
    return {name: {"again_ms": job.get("again_ms")} for name, job in jobs.items()}


def _lives(pid: int) -> bool:
    """Whether there is such a process, of whatever user."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _source(
    state: tuple[int | None, Mapping[str, Any]],
    name: str,
    where: str,
    rejected: Mapping[str, int],
    *,
    running: bool,
) -> SourceStatus:
    """One source; one that the collector never named has not been tried."""
    noted_ms, body = state
    return SourceStatus(
        name=name,
        where=where,
        up=running and bool(body.get("up", False)),
        words=body.get("words", "never collected"),
        since_ms=body.get("since_ms") or None,
        good=body.get("good", 0),
        good_ms=noted_ms,
        rejected=rejected,
    )


def _meter(meter: Meter, look: _Look) -> MeterStatus:
    """One meter, from its latest rows."""
    rows = latest_rows(look.connection, meter.name, from_minute=look.from_minute, most=NEWEST)
    run = look.plant.run_of_meter(meter.name)
    source = source_of(meter)
    last_ms = end_ms(rows[0]) if rows else None
    silent_after_s = silent_after_s_of(rows)
    rate_hz = rate_hz_of(rows, meter.counter_bits, longest_ms=silent_after_s * 1000)
    age_s = None if last_ms is None else look.now_s - last_ms / 1000
    flow_m3s = None
    if rate_hz is not None and last_ms is not None:
        flow_m3s = flow_at(rate_hz, factors_at(meter, look.events, last_ms / 1000))
    return MeterStatus(
        name=meter.name,
        run=None if run is None else run.name,
        source=source,
        last_ms=last_ms,
        count=rows[0].counted if rows else None,
        rate_hz=rate_hz,
        flow_m3s=flow_m3s,
        restarts=look.restarts.get(meter.name, 0),
        edges=_edges(look.states, source, meter.name),
        age_s=age_s,
        silent=source is not None and (not look.just_started if age_s is None else age_s > silent_after_s),
        silent_after_s=silent_after_s,
    )


def _gauge(gauge: Gauge, look: _Look) -> GaugeStatus:
    """One gauge, from its latest row."""
    row = latest_gauge_row(look.connection, gauge.name, from_minute=look.from_minute)
    source = source_of(gauge)
    last_ms = None if row is None else MINUTE_MS * row.minute
    age_s = None if last_ms is None else look.now_s - last_ms / 1000
    _, body = look.states.get(source or "", (None, {}))
    return GaugeStatus(
        name=gauge.name,
        unit=gauge.unit,
        source=source,
        last_ms=last_ms,
        value=None if row is None else row.mean,
        age_s=age_s,
        silent=source is not None and (not look.just_started if age_s is None else age_s > GAP_S),
        passed_over=body.get("gauges", {}).get(gauge.name, {}).get("passed_over", 0),
    )


def _restarts(connection: sqlite3.Connection, from_minute: int) -> dict[str, int]:
    """Known restarts by meter since that minute."""
    rows = connection.execute(
        "SELECT name, sum(restart) FROM minute JOIN meter ON meter.id = minute.meter WHERE slot >= ? GROUP BY name",
        (row_key(from_minute + 1, 0),),
    )
    return dict(rows.fetchall())


def _edges(states: _States, source: str | None, meter: str) -> int | None:
    """Edges thrown away, as the collector last noted them."""
    _, body = states.get(source or "", (None, {}))
    edges = body.get("meters", {}).get(meter, {}).get("edges")
    return edges if isinstance(edges, int) else None

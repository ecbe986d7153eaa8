"""One call of `clearbore load`: events, then log files, then gauge files, then hours."""

import pathlib
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from config.errors import InputUnusable
from config.settings import PlantFile
from daemon.events_file import read_events_file
from daemon.loading.gauges import GaugeLoader, GaugeTally, check_gauge_header
from daemon.loading.load import Loader, check_header
from daemon.loading.stream import digest_of
from daemon.loading.tally import FileTally
from daemon.retention import drop_old_minutes, settle_gauges
from daemon.store import records, writer
from daemon.store.journal import add_events
from daemon.store.opening import open_writer_beside, storage_errors, transaction
from daemon.store.prepare import prepare_store


@dataclass(frozen=True, slots=True, kw_only=True)
class EventsTally:
    """What an events file held: lines after the header, events new to the journal, events it had, refused lines."""

    name: str
    lines: int
    new: int
    known: int
    rejected: dict[str, int]
    already_loaded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a call of `clearbore load` did; `days_dropped` lost their minutes because of their age."""

    database: pathlib.Path
    backup: pathlib.Path | None
    events: EventsTally | None
    logs: tuple[FileTally, ...]
    days_derived: int
    days_dropped: int = 0
    gauges: tuple[GaugeTally, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What to load: log files, an events file and gauge files into a database; `again` reads files that are in once more."""

    database: pathlib.Path
    logs: Sequence[pathlib.Path]
    events: pathlib.Path | None
    again: bool
    gauges: Sequence[pathlib.Path] = ()


def load_all(plant_file: PlantFile, order: Order, *, now_s: float, tell: Callable[[int], None]) -> Outcome:
    """Load everything; what was loaded before an error stays.

    Args:
        plant_file: the plant, whose meters the logs speak of.
        order: what to load.
        now_s: UTC epoch seconds.
        tell: is told how many bytes of the log and gauge files were read since it was told before.

    Raises:
        InputMissing: a file is not there.
        InputUnusable: a file cannot be read or has the wrong header; found before anything is loaded.
        StoreError: the database cannot be written.
    """
    for path in order.logs:
        check_header(path)
    for path in order.gauges:
        check_gauge_header(path)
    if order.gauges and not plant_file.plant.gauges:
        raise InputUnusable(f"{plant_file.path}: the plant has no gauge to load values of; add a [[gauge]]")
    if not plant_file.plant.meters:
        raise InputUnusable(f"{plant_file.path}: the plant has no meter to load readings of; add a [[meter]]")
    backup = prepare_store(order.database)
    with storage_errors(order.database):
        connection = open_writer_beside(order.database)
        try:
            store = plant_file.settings.store
            loader = Loader(connection, plant_file.plant.meters, now_s=now_s, kept_lines=store.quarantine_kept_lines)
            events = _load_events(connection, plant_file, order, now_s) if order.events else None
            logs = tuple(loader.load(path, again=order.again, tell=tell) for path in order.logs)
            gauges = GaugeLoader(
                connection=connection,
                gauges=plant_file.plant.gauges,
                now_s=now_s,
                kept_lines=store.quarantine_kept_lines,
                tell=tell,
            )
            gauged = tuple(gauges.load(path, again=order.again) for path in order.gauges)
            gauges.count_too_late()
            days = loader.refresh_hours()
            settle_gauges(connection, now_s=now_s)
            dropped = drop_old_minutes(connection, kept_days=store.minutes_kept_days, now_s=now_s)
        finally:
            connection.close()
    return Outcome(
        database=order.database,
        backup=backup,
        events=events,
        logs=logs,
        days_derived=days,
        days_dropped=dropped,
        gauges=gauged,
    )


def _load_events(connection: sqlite3.Connection, plant_file: PlantFile, order: Order, now_s: float) -> EventsTally:
    """Bring an events file into the journal."""
    path = pathlib.Path(order.events or "")
    read = read_events_file(path, plant_file.plant, now_s=now_s)
    digest = digest_of(path)
    known = records.find_load(connection, digest)
    if known is not None and not order.again:
        return EventsTally(
            name=path.name, lines=known.lines, new=0, known=known.accepted, rejected={}, already_loaded=True
        )
    times = [round(event.at_s * 1000) for event in read.events]
    with transaction(connection):
        new = add_events(connection, read.events, source=path.name)
        if known is not None:
            writer.forget_rejects(connection, path.name)
        kept = plant_file.settings.store.quarantine_kept_lines
        writer.write_rejects(connection, path.name, read.rejects, kept_lines=kept)
        load = records.Load(
            digest=digest,
            name=path.name,
            lines=read.lines,
            accepted=len(read.events),
            rejected=len(read.rejects),
            first_ms=min(times, default=None),
            last_ms=max(times, default=None),
        )
        records.write_load(connection, load)
    rejected: dict[str, int] = {}
    for reject in read.rejects:
        rejected[reject.reason] = rejected.get(reject.reason, 0) + 1
    return EventsTally(name=path.name, lines=read.lines, new=new, known=len(read.events) - new, rejected=rejected)

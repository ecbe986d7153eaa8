"""`clearbore journal`: what the keeper did."""

import datetime as dt
import json
import pathlib
import zoneinfo
from typing import Any

import click

from analysis.events import Event
from config.errors import InputMissing
from config.load import load_plant
from config.plant import Plant
from daemon import clock
from daemon.journal_entry import EventRefused, make_event
from daemon.loading.exact import AHEAD_MS, EARLIEST_MS
from daemon.store.journal import Entry, add_events, read_entries, remove_event
from daemon.store.opening import default_path, open_reader, open_writer_beside, storage_errors
from daemon.store.prepare import prepare_store, updated_text
from daemon.tables import columns

BY_HAND = "by hand"


@click.command(
    name="journal",
    epilog="Kinds: pump_speed (per cent of full speed), feed_pause (minutes), maintenance (media_changed, pump_cleaned,"
    " valve_set, meter_cleaned), calibration (pulses per litre).",
)
@click.argument("plant", type=click.Path(path_type=pathlib.Path))
@click.argument("entry", metavar="[KIND TARGET VALUE]", nargs=-1)
@click.option(
    "--at", "at_text", metavar="TIME", help="When it was: 2026-11-03T14:30 in the plant's time zone, or UTC with Z."
)
@click.option("--remove", type=int, metavar="ID", help="Take the entry of this number out.")
@click.option(
    "--db",
    type=click.Path(path_type=pathlib.Path),
    help="The database.  [default: beside the plant file, with the suffix .db]",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
def command(  # noqa: PLR0913 - one parameter an option
    plant: pathlib.Path,
    entry: tuple[str, ...],
    *,
    at_text: str | None,
    remove: int | None,
    db: pathlib.Path | None,
    as_json: bool,
) -> None:
    """Write down what you did, as in `clearbore journal rack.toml maintenance carbon media_changed`; or list it.

    TARGET is pump, or the name of a run or a meter.
    """
    checked = load_plant(plant).plant
    database = db or default_path(plant)
    if remove is not None:
        if entry or at_text is not None:
            raise click.UsageError("--remove stands alone: it takes nothing but the entry's number")
        _remove(database, remove, checked)
    elif entry:
        _add(database, _event(checked, entry, at_text), checked)
    elif at_text is not None:
        raise click.UsageError("--at needs an entry: KIND TARGET VALUE")
    _show(database, checked, as_json=as_json, listing=remove is None and not entry)


def _event(plant: Plant, entry: tuple[str, ...], at_text: str | None) -> Event:
    """The event that was written."""
    if len(entry) != 3:  # noqa: PLR2004 - kind, target, value
        raise click.UsageError(f"an entry is KIND TARGET VALUE, three words; got {len(entry)}: {' '.join(entry)}")
    kind, target, value = entry
    at_s = clock.now_s() if at_text is None else _time_s(at_text, plant.timezone)
    try:
        return make_event(plant, at_s=at_s, kind=kind, target=target, value=value)
    except EventRefused as refused:
        raise click.UsageError(str(refused)) from None


def _time_s(text: str, timezone: str) -> float:
    """UTC epoch seconds of a time in the plant's zone, unless it names its own."""
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        raise click.UsageError(
            f"--at {text!r} is no time: write it like 2026-11-03T14:30, or 2026-11-03T14:30Z for UTC"
        ) from None
    zone = zoneinfo.ZoneInfo(timezone)
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
        if moment.astimezone(dt.UTC).astimezone(zone).replace(tzinfo=None) != moment.replace(tzinfo=None):
            raise click.UsageError(f"--at {text}: the clocks of {timezone} skip this time; write it in UTC with Z")
    at_s = moment.timestamp()
    if not EARLIEST_MS <= at_s * 1000 <= clock.now_s() * 1000 + AHEAD_MS:
        raise click.UsageError(f"--at {text}: an entry lies between the year 2000 and tomorrow")
    return at_s


def _add(database: pathlib.Path, event: Event, plant: Plant) -> None:
    """Write an event down."""
    _prepare(database)
    with storage_errors(database):
        connection = open_writer_beside(database)
        try:
            added = add_events(connection, [event], source=BY_HAND)
        finally:
            connection.close()
    text = _line(event, plant)
    click.echo(f"written down: {text}" if added else f"already in the journal: {text}", err=True)


def _remove(database: pathlib.Path, entry_id: int, plant: Plant) -> None:
    """Take an entry out."""
    _need(database)
    _prepare(database)
    with storage_errors(database):
        connection = open_writer_beside(database)
        try:
            gone = remove_event(connection, entry_id)
        finally:
            connection.close()
    if gone is None:
        raise InputMissing(f"{database}: the journal has no entry {entry_id}; `clearbore journal PLANT` lists them")
    click.echo(f"taken out: {_line(gone.event, plant)}", err=True)


def _prepare(database: pathlib.Path) -> None:
    """Make the database or bring it up to date; a backup that was made for that is told."""
    backup = prepare_store(database)
    if backup is not None:
        click.echo(updated_text(backup), err=True)


def _need(database: pathlib.Path) -> None:
    """Refuse a database that is not there."""
    if not database.is_file():
        raise InputMissing(f"{database}: there is no such database; `clearbore load` or `clearbore collect` makes it")


def _show(database: pathlib.Path, plant: Plant, *, as_json: bool, listing: bool) -> None:
    """List the journal: for people only if that was asked for."""
    if not as_json and not listing:
        return
    with storage_errors(database):
        connection = open_reader(database)
        try:
            entries = read_entries(connection)
        finally:
            connection.close()
    if listing:
        for line in _table(entries, plant):
            click.echo(line, err=as_json)
    if as_json:
        click.echo(json.dumps({"entries": [_machine(entry) for entry in entries]}, ensure_ascii=False))


def _table(entries: tuple[Entry, ...], plant: Plant) -> list[str]:
    """The journal as a table, times in the plant's zone."""
    if not entries:
        return ["the journal is empty; write down what you do: clearbore journal PLANT KIND TARGET VALUE"]
    rows = [("id", f"time ({plant.timezone})", "kind", "target", "value", "from")]
    rows += [
        (
            str(entry.id),
            _local(entry.event.at_s, plant),
            entry.event.kind.value,
            entry.event.target,
            entry.event.value,
            entry.source,
        )
        for entry in entries
    ]
    return columns(rows)


def _line(event: Event, plant: Plant) -> str:
    """An event as one line."""
    return f"{_local(event.at_s, plant)} ({plant.timezone})  {event.kind.value}  {event.target}  {event.value}"


def _local(at_s: float, plant: Plant) -> str:
    """Local time to the minute."""
    return clock.local_text(at_s, zoneinfo.ZoneInfo(plant.timezone))


def _machine(entry: Entry) -> dict[str, Any]:
    """An entry for machines."""
    return {
        "id": entry.id,
        "at": clock.utc_text(entry.event.at_s),
        "kind": entry.event.kind.value,
        "target": entry.event.target,
        "value": entry.event.value,
        "source": entry.source,
    }

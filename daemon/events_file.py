"""Events files: CSV `time_utc,kind,target,value`. Standard library only."""

import pathlib
from collections.abc import Mapping
from dataclasses import dataclass

from analysis.events import Event
from config.errors import InputMissing, InputUnusable
from config.plant import Plant
from daemon.journal_entry import EventRefused, make_event
from daemon.loading.exact import AHEAD_MS, LineRefused, likely_time_ms, line_fields
from daemon.loading.header import column_places, header_names, header_text
from daemon.store.writer import Reject

COLUMNS = ("time_utc", "kind", "target", "value")
MAX_BYTES = 64 * 1024 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class EventsFile:
    """An events file, read: lines after the header, the events, and the lines that are none."""

    name: str
    lines: int
    events: tuple[Event, ...]
    rejects: tuple[Reject, ...]


def read_events_file(path: pathlib.Path, plant: Plant, *, now_s: float) -> EventsFile:
    """Read an events file; a bad line stops nothing.

    Raises:
        InputMissing: there is no such file.
        InputUnusable: it cannot be read, or its header lacks a column.
    """
    lines = _read(path).split(b"\n")
    if lines and not lines[-1].strip():
        lines.pop()
    places = _places(path, lines[0] if lines else b"")
    events: list[Event] = []
    rejects: list[Reject] = []
    for line_no, line in enumerate(lines[1:], start=2):
        try:
            events.append(_event(line, places, plant, now_s))
        except LineRefused as refused:
            rejects.append(_reject(str(refused), line, line_no, now_s))
        except EventRefused as refused:
            rejects.append(_reject(refused.reason, line, line_no, now_s))
    return EventsFile(name=path.name, lines=max(len(lines) - 1, 0), events=tuple(events), rejects=tuple(rejects))


def _reject(reason: str, line: bytes, line_no: int, now_s: float) -> Reject:
    """A refused line."""
    text = line.decode("utf-8", "backslashreplace").replace("\0", "\\x00").rstrip("\r")
    return Reject(reason=reason, line=text, line_no=line_no, at_ms=round(now_s * 1000))


def _read(path: pathlib.Path) -> bytes:
    """The bytes of the file."""
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise InputMissing(f"{path}: there is no such events file") from None
    except OSError as error:
        raise InputUnusable(f"{path}: cannot be read ({error.strerror})") from None
    if len(data) > MAX_BYTES:
        raise InputUnusable(f"{path}: larger than {MAX_BYTES:,} bytes: is this an events file?")
    return data


def _places(path: pathlib.Path, header: bytes) -> Mapping[str, int]:
    """Column name -> index in a line."""
    names = header_names(header)
    if any(name not in names for name in COLUMNS):
        if not header_text(header).isprintable():
            raise InputUnusable(f"{path}:1: not a text file: an events file is plain CSV, not compressed")
        if "pulses" in names:
            raise InputUnusable(f"{path}:1: this is a log of readings: name it without --events")
    return column_places(path, header, COLUMNS, kind="an events file")


def _event(line: bytes, places: Mapping[str, int], plant: Plant, now_s: float) -> Event:
    """One line's event."""
    fields = line_fields(line, len(places))
    at_ms = likely_time_ms(fields[places["time_utc"]], now_s * 1000 + AHEAD_MS)
    kind, target, value = (fields[places[name]] for name in COLUMNS[1:])
    return make_event(plant, at_s=at_ms / 1000, kind=kind, target=target, value=value)

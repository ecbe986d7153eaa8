"""One line of a log file, read exactly: for the lines that are out of the ordinary, and to name what is wrong."""

import csv
import datetime as dt
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

COLUMNS = ("time_utc", "meter", "pulses")
UPTIME = "uptime_s"
EARLIEST_MS = 946_684_800_000
"""The year 2000: an earlier time is a clock that was never set."""
AHEAD_MS = 86_400_000
"""How far a time may lie after now: clocks differ."""

NO_UPTIME = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """What a log file's lines must hold.

    Attributes:
        place: column name -> its index in a line; fields: how many a line has.
        meters: meter name -> (column of the meter, the number its counter goes up to, not included).
        latest_ms: UTC epoch ms that no reading can be later than.
    """

    place: Mapping[str, int]
    fields: int
    meters: Mapping[str, tuple[int, int]]
    latest_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One line: column of the meter, UTC epoch ms, cumulative count, device uptime in ms or NO_UPTIME."""

    column: int
    at_ms: int
    counted: int
    uptime_ms: int


class LineRefused(Exception):  # noqa: N818 - says what happened; never leaves the loader
    """A line that is no reading; its text is the reason, of a small set."""


_NUMBER = re.compile(r"[0-9]+")
_SECONDS = re.compile(r"[0-9]+(\.[0-9]+)?")


def read_line(line: bytes, layout: Layout) -> Reading:
    """Read one line without its line end.

    Raises:
        LineRefused: with the reason.
    """
    fields = line_fields(line, layout.fields)
    if tuple(fields[: len(COLUMNS)]) == COLUMNS:
        raise LineRefused("another header")
    meter = fields[layout.place["meter"]]
    if meter not in layout.meters:
        raise LineRefused("unknown meter")
    column, beyond = layout.meters[meter]
    return Reading(
        column=column,
        at_ms=likely_time_ms(fields[layout.place["time_utc"]], layout.latest_ms),
        counted=_count(fields[layout.place["pulses"]], beyond),
        uptime_ms=_uptime_ms(fields[layout.place[UPTIME]]) if UPTIME in layout.place else NO_UPTIME,
    )


def line_fields(line: bytes, wanted: int) -> list[str]:
    """The fields of a line, so many of them, stripped of blanks.

    Raises:
        LineRefused: with the reason.
    """
    if not line.strip():
        raise LineRefused("empty line")
    if b"\0" in line:
        raise LineRefused("NUL bytes")
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        raise LineRefused("not UTF-8") from None
    try:
        fields = next(csv.reader([text], strict=True))
    except (csv.Error, StopIteration):
        raise LineRefused("quotes that do not close") from None
    if len(fields) != wanted:
        raise LineRefused("wrong number of fields")
    return [field.strip() for field in fields]


def likely_time_ms(text: str, latest_ms: float) -> int:
    """`read_time_ms` of a time that a clock which was ever set may show, no later than `latest_ms`.

    Raises:
        LineRefused: with the reason.
    """
    at_ms = read_time_ms(text)
    if at_ms < EARLIEST_MS:
        raise LineRefused("time before the year 2000")
    if at_ms > latest_ms:
        raise LineRefused("time in the future")
    return at_ms


def read_time_ms(text: str) -> int:
    """ISO 8601 with a time zone -> UTC epoch ms, cut to whole ones.

    Raises:
        LineRefused: it cannot be read, or has no zone.
    """
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        raise LineRefused("unreadable time") from None
    if moment.tzinfo is None:
        raise LineRefused("time without zone")
    epoch = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    return (moment - epoch) // dt.timedelta(milliseconds=1)


def _count(text: str, beyond: int) -> int:
    """A cumulative count below `beyond`."""
    if text.startswith("-") and _NUMBER.fullmatch(text[1:]):
        raise LineRefused("negative count")
    if not text.isascii() or not _NUMBER.fullmatch(text):
        raise LineRefused("count not a whole number")
    if len(text) > 20 or int(text) >= beyond:  # noqa: PLR2004 - longer than any counter, and int() takes its time
        raise LineRefused("count beyond the counter's bits")
    return int(text)


def _uptime_ms(text: str) -> int:
    """Seconds of uptime -> ms; an empty field is an unknown one."""
    if not text:
        return NO_UPTIME
    if not text.isascii() or not _SECONDS.fullmatch(text):
        raise LineRefused("unreadable uptime")
    uptime_s = float(text)
    if not math.isfinite(uptime_s) or uptime_s > 1e11:  # noqa: PLR2004 - three thousand years
        raise LineRefused("unreadable uptime")
    return round(uptime_s * 1000)

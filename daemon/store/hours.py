"""Keep the hour rows level with the minute rows. Imports numpy: not for the always-on process."""

import itertools
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats, Ints
from analysis.pulses import USUAL_DAYS, DayHours, day_window_ms, derive_day, usual_rate
from analysis.timeline import MinuteFrame
from config.plant import Meter
from daemon.store.blocks import holds_minutes
from daemon.store.journal import read_pauses_ms
from daemon.store.opening import transaction
from daemon.store.outlived import Outlived, outlived
from daemon.store.parts import packed_parts
from daemon.store.reader import read_minutes
from daemon.store.undated import holds_undated
from daemon.store.writer import MINUTES_PER_DAY, mark_stale, meter_ids

DAYS_A_COMMIT = 32
_MINUTE_MS = 60_000
_INSERT = "INSERT INTO hour VALUES (?, ?, ?, ?, ?, ?)"
_ROWS_A_STATEMENT = 24
_INSERT_MANY = _INSERT + ", (?, ?, ?, ?, ?, ?)" * (_ROWS_A_STATEMENT - 1)
KeptHours = dict[int, frozenset[tuple[int, int]]]
"""UTC epoch day -> what `refresh_day` left as it was when it last derived the day."""
_HIDING = (
    ("hour", "hour, meter, pulses, seconds, off_s, parts", "hour, meter"),
    ("usual_rate", "day, meter, rate_hz", "day, meter"),
    ("stale_day", "day", "day"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Deriver:
    """What deriving a day needs besides its minutes.

    Attributes:
        ids: [M] numbers of the plant's meters in the database, in column order; bits: [M] their counters' widths.
        pauses_ms: journalled pauses.
    """

    ids: tuple[int, ...]
    bits: Ints
    pauses_ms: tuple[tuple[int, int], ...]

    @property
    def columns(self) -> dict[int, int]:
        """Number of each meter in the database -> its column."""
        return {meter: column for column, meter in enumerate(self.ids)}


def make_deriver(connection: sqlite3.Connection, meters: Sequence[Meter]) -> Deriver:
    """Collect what deriving needs; `meters` are the plant's."""
    ids = meter_ids(connection, [meter.name for meter in meters])
    return Deriver(
        ids=tuple(ids[meter.name] for meter in meters),
        bits=np.array([meter.counter_bits for meter in meters], dtype=np.int64),
        pauses_ms=tuple(read_pauses_ms(connection)),
    )


def refresh_hours(
    connection: sqlite3.Connection,
    meters: Sequence[Meter],
    *,
    tell: Callable[[int], None] | None = None,
    kept: KeptHours | None = None,
) -> int:
    """Derive the hours of every day whose minutes or pauses changed since they were derived.

    An interrupted refresh is taken up by the next one.

    Args:
        connection: of `open_writer`.
        meters: of the plant.
        tell: is told how many days are left, now and then.
        kept: is given the hours of the derived days that stayed as they were.

    Returns:
        How many days were derived.
    """
    deriver = make_deriver(connection, meters)
    kept = {} if kept is None else kept
    derived = fresh = _refresh_some(connection, deriver, kept, first=True)
    while fresh:
        if tell is not None:
            tell(connection.execute("SELECT count(*) FROM stale_day").fetchone()[0])
        fresh = _refresh_some(connection, deriver, kept, first=False)
        derived += fresh
    return derived


def _refresh_some(connection: sqlite3.Connection, deriver: Deriver, kept: KeptHours, *, first: bool) -> int:
    """Derive some of the days in one transaction, at `first` of their neighbours too; how many."""
    with transaction(connection):
        if first:
            _widen_stale(connection)
        days = connection.execute("SELECT day FROM stale_day ORDER BY day LIMIT ?", (DAYS_A_COMMIT,)).fetchall()
        for (day,) in days:
            kept[day] = refresh_day(connection, deriver, day, read_day(connection, deriver, day))
    return len(days)


def bring_up_to_date(connection: sqlite3.Connection, meters: Sequence[Meter]) -> int:
    """Derive the hours that are behind for a reader's connection alone: the file stays as it is.

    The always-on process stores minutes and leaves their hours to others. Temporary tables of the same names hide
    the stored ones from this connection, whatever reads them afterwards.

    Args:
        connection: of `open_reader`.
        meters: of the plant.

    Returns:
        How many days were derived.
    """
    if connection.execute("SELECT 1 FROM main.stale_day LIMIT 1").fetchone() is None:
        return 0
    connection.execute("PRAGMA temp_store = MEMORY")
    for table, columns, key in _HIDING:
        connection.execute(f"DROP TABLE IF EXISTS temp.{table}")
        connection.execute(f"CREATE TEMP TABLE {table} ({columns}, PRIMARY KEY ({key})) WITHOUT ROWID")
        connection.execute(f"INSERT INTO temp.{table} SELECT * FROM main.{table}")  # noqa: S608 - names of ours
    known = {name for (name,) in connection.execute("SELECT name FROM meter").fetchall()}
    return refresh_hours(connection, [meter for meter in meters if meter.name in known])


def _widen_stale(connection: sqlite3.Connection) -> None:
    """The hours around midnight hang on the neighbouring day's minutes as well."""
    with transaction(connection):
        days = {day + by for (day,) in connection.execute("SELECT day FROM stale_day").fetchall() for by in (-1, 1)}
        _mark_with_minutes(connection, days)


def _mark_with_minutes(connection: sqlite3.Connection, days: set[int]) -> None:
    """Mark those of the days that hold any minute."""
    within = (min(days, default=0), max(days, default=0))
    marked = connection.execute("SELECT day FROM stale_day WHERE day BETWEEN ? AND ?", within).fetchall()
    waiting = sorted(days - {day for (day,) in marked})
    found = []
    for day in waiting:
        # of days to come there are mostly none: then one question is enough
        if not _holds_any(connection, day, waiting[-1]):
            break
        found += [day] if _holds_any(connection, day, day) else []
    mark_stale(connection, found)


def _holds_any(connection: sqlite3.Connection, first_day: int, last_day: int) -> bool:
    """Whether there is any minute from one UTC epoch day to another, both whole."""
    return holds_readings(connection, first_day * MINUTES_PER_DAY, (last_day + 1) * MINUTES_PER_DAY)


def holds_readings(connection: sqlite3.Connection, from_minute: int, to_minute: int) -> bool:
    """Whether there is any reading from one UTC epoch minute up to, not including, another, dated for good or not."""
    span = (from_minute, to_minute)
    return holds_minutes(connection, *span) or holds_undated(connection, *span)


def read_day(connection: sqlite3.Connection, deriver: Deriver, day: int) -> MinuteFrame:
    """The minutes that a day's hours hang on."""
    from_ms, to_ms = day_window_ms(day)
    return read_minutes(connection, deriver.columns, from_minute=from_ms // _MINUTE_MS, to_minute=to_ms // _MINUTE_MS)


def refresh_day(
    connection: sqlite3.Connection, deriver: Deriver, day: int, frame: MinuteFrame
) -> frozenset[tuple[int, int]]:
    """Derive one day from its minutes, store its hours and take its mark away.

    If what is usual for the day changed, the days that go by it are marked in turn. A day whose minutes are gone
    (they are kept for a time only) keeps the hours it has, and so does one of which a few come late.

    Returns:
        Hours that stayed as they were because they know more, each (UTC epoch hour, number of the meter).
    """
    if not _has_readings(frame, day):
        connection.execute("DELETE FROM stale_day WHERE day = ?", (day,))
        return frozenset()
    daily = _read_usual(connection, deriver, day - USUAL_DAYS, day)
    from_ms, to_ms = day_window_ms(day)
    pauses = [pause for pause in deriver.pauses_ms if pause[1] > from_ms and pause[0] < to_ms]
    hours = derive_day(day, frame, bits=deriver.bits, usual_hz=usual_rate(daily), pauses_ms=pauses)
    known = outlived(connection, deriver.ids, day, hours)
    _write_hours(connection, deriver, day, hours, known)
    before = _read_usual(connection, deriver, day, day + 1)[0]
    usual_hz = np.where(known.usual & ~np.isnan(before), before, hours.usual_hz)
    if not np.array_equal(before, usual_hz, equal_nan=True):
        _write_usual(connection, deriver, day, usual_hz)
        _mark_with_minutes(connection, set(range(day + 1, day + 1 + USUAL_DAYS)))
    connection.execute("DELETE FROM stale_day WHERE day = ?", (day,))
    return known.pairs(day, deriver.ids)


def _has_readings(frame: MinuteFrame, day: int) -> bool:
    """Whether any row ends in the day itself."""
    return bool((frame.end_ms // (MINUTES_PER_DAY * _MINUTE_MS) == day).any())


def _read_usual(connection: sqlite3.Connection, deriver: Deriver, from_day: int, to_day: int) -> Floats:
    """Usual rates of single days, [days, M], nan where unknown."""
    daily = np.full((to_day - from_day, len(deriver.ids)), np.nan)
    columns = deriver.columns
    rows = connection.execute(
        "SELECT day, meter, rate_hz FROM usual_rate WHERE day >= ? AND day < ?", (from_day, to_day)
    )
    for day, meter, rate_hz in rows.fetchall():
        if meter in columns:
            daily[day - from_day, columns[meter]] = rate_hz
    return daily


def _write_usual(connection: sqlite3.Connection, deriver: Deriver, day: int, usual_hz: Floats) -> None:
    """Store what is usual for a day; nothing for a meter that says too little."""
    connection.executemany(
        "DELETE FROM usual_rate WHERE day = ? AND meter = ?", [(day, meter) for meter in deriver.ids]
    )
    known = [(day, meter, rate) for meter, rate in zip(deriver.ids, usual_hz.tolist(), strict=True) if rate == rate]  # noqa: PLR0124 - not nan
    connection.executemany("INSERT INTO usual_rate VALUES (?, ?, ?)", known)


def _write_hours(connection: sqlite3.Connection, deriver: Deriver, day: int, hours: DayHours, known: Outlived) -> None:
    """Store the hours of a day; none for an hour without a reading or a stopped pump.

    What is stored already is left as it is: each page that is written anew costs a card, and most hours of a day that
    runs are done with. So are hours that know more.
    """
    there = "SELECT hour, meter, pulses, seconds, off_s, parts FROM hour WHERE hour >= ? AND hour < ?"
    of_ours, kept = set(deriver.ids), known.pairs(day, deriver.ids)
    found = connection.execute(there, (day * 24, day * 24 + 24)).fetchall()
    stored = {row for row in found if row[1] in of_ours and row[:2] not in kept}
    hour, column = np.nonzero(((hours.seconds > 0) | (known.off_s > 0)[:, None]) & ~known.kept)
    meter = np.array(deriver.ids, dtype=np.int64)[column]
    pulses, seconds, off_s = hours.pulses[hour, column], hours.seconds[hour, column], known.off_s[hour]
    sides = (day * 24 + hour, meter, pulses, seconds, off_s)
    rows = list(zip(*(side.tolist() for side in sides), packed_parts(hours, hour, column), strict=True))
    if stored:
        over = [row[:2] for row in stored.difference(rows)]
        connection.executemany("DELETE FROM hour WHERE hour = ? AND meter = ?", over)
        rows = [row for row in rows if row not in stored]
    whole = len(rows) - len(rows) % _ROWS_A_STATEMENT
    several = [
        tuple(itertools.chain.from_iterable(rows[at : at + _ROWS_A_STATEMENT]))
        for at in range(0, whole, _ROWS_A_STATEMENT)
    ]
    connection.executemany(_INSERT_MANY, several)
    connection.executemany(_INSERT, rows[whole:])

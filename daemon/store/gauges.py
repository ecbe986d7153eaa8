"""Values of gauges, a row a minute, and what they come to by the hour. Standard library only."""

import sqlite3
from collections.abc import Iterable, Iterator, Sequence

from config.errors import StoreError
from daemon.store.gauge_hours import HOUR_MINUTES, keep_level, medians, settled_hours, settled_to
from daemon.store.gauge_rows import GAUGES_MOST, GaugeRow, joined, slot_of
from daemon.store.opening import transaction

MINUTE_MS = 60_000
_HALF_MS = MINUTE_MS // 2
# A row of the monotonic clock lies in the minute that its middle has in UTC: rows of one anchor never meet there.
_DATED_MINUTE = f"(minute * {MINUTE_MS} + {_HALF_MS} + offset_ms) / {MINUTE_MS}"
_WAITING = "FROM undated_gauge_minute JOIN anchor ON anchor.id = undated_gauge_minute.anchor"
_KEEP = (
    "INSERT INTO gauge_minute (slot, mean, sd, samples) VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE"
    " SET mean = excluded.mean, sd = excluded.sd, samples = excluded.samples"
)


def gauge_ids(connection: sqlite3.Connection, names: Iterable[str]) -> tuple[int, ...]:
    """The number of each gauge; a new one is given to a name that has none.

    Raises:
        StoreError: there are no numbers left.
    """
    wanted = list(names)
    ids: dict[str, int] = dict(connection.execute("SELECT name, id FROM gauge").fetchall())
    if not ids.keys() >= set(wanted):
        with transaction(connection):
            for name in wanted:
                connection.execute("INSERT INTO gauge (name) VALUES (?) ON CONFLICT DO NOTHING", (name,))
            ids = dict(connection.execute("SELECT name, id FROM gauge").fetchall())
            if max(ids.values()) >= GAUGES_MOST:
                raise StoreError(f"a database holds at most {GAUGES_MOST - 1} gauges: begin a new one with --db")
    return tuple(ids[name] for name in wanted)


def write_gauge_minutes(connection: sqlite3.Connection, rows: Iterable[GaugeRow]) -> None:
    """Store rows of a file; the fuller of two rows of a minute stands, whichever came first."""
    touched: set[tuple[int, int]] = set()
    with transaction(connection):
        connection.executemany(
            f"{_KEEP} WHERE (excluded.samples, excluded.mean) > (samples, mean)", _noted(rows, touched)
        )
        keep_level(connection, touched)


def add_gauge_minutes(connection: sqlite3.Connection, rows: Iterable[GaugeRow]) -> None:
    """Store rows of values that nobody stored yet; what is there of their minutes is of other values."""
    touched: set[tuple[int, int]] = set()
    with transaction(connection):
        for row in rows:
            connection.executemany(_KEEP, _noted([_with_stored(connection, row)], touched))
        keep_level(connection, touched)


def _with_stored(connection: sqlite3.Connection, row: GaugeRow) -> GaugeRow:
    """A row joined with what is there of its minute."""
    found = connection.execute(
        "SELECT minute, gauge, mean, sd, samples FROM gauge_minute WHERE slot = ?", (slot_of(row.minute, row.gauge),)
    ).fetchone()
    return row if found is None else joined(GaugeRow(*found), row)


def add_undated_gauges(connection: sqlite3.Connection, anchor: int, rows: Iterable[GaugeRow]) -> None:
    """Store rows on the monotonic clock under a stored anchor, joined with what is there."""
    with transaction(connection):
        for row in rows:
            found = connection.execute(
                "SELECT minute, gauge, mean, sd, samples FROM undated_gauge_minute"
                " WHERE anchor = ? AND minute = ? AND gauge = ?",
                (anchor, row.minute, row.gauge),
            ).fetchone()
            whole = row if found is None else joined(GaugeRow(*found), row)
            connection.execute(
                "INSERT OR REPLACE INTO undated_gauge_minute VALUES (?, ?, ?, ?, ?, ?)", (anchor, *whole)
            )


def move_gauges(connection: sqlite3.Connection, anchor: int) -> None:
    """Move the rows of an anchor, whose offset is known, into `gauge_minute`, in one transaction."""
    with transaction(connection):
        rows = connection.execute(
            f"SELECT {_DATED_MINUTE}, gauge, mean, sd, samples {_WAITING} WHERE anchor = ? ORDER BY minute, gauge",
            (anchor,),
        ).fetchall()
        add_gauge_minutes(connection, (GaugeRow(*row) for row in rows))
        connection.execute("DELETE FROM undated_gauge_minute WHERE anchor = ?", (anchor,))


def read_gauge_rows(connection: sqlite3.Connection, *, from_minute: int, to_minute: int) -> list[GaugeRow]:
    """Rows of a span of UTC epoch minutes in order of time, those without a date yet dated as well as is known."""
    dated = connection.execute(
        "SELECT minute, gauge, mean, sd, samples FROM gauge_minute WHERE slot >= ? AND slot < ?",
        (slot_of(from_minute, 0), slot_of(to_minute, 0)),
    ).fetchall()
    waiting = connection.execute(
        f"SELECT {_DATED_MINUTE} AS at, gauge, mean, sd, samples {_WAITING} WHERE at >= ? AND at < ?",
        (from_minute, to_minute),
    ).fetchall()
    if not waiting:
        return [GaugeRow(*row) for row in dated]
    found: dict[tuple[int, int], GaugeRow] = {}
    for row in map(GaugeRow._make, (*dated, *waiting)):
        key = (row.minute, row.gauge)
        found[key] = joined(found[key], row) if key in found else row
    return [row for _, row in sorted(found.items())]


def read_gauge_hours(
    connection: sqlite3.Connection, names: Sequence[str], *, from_hour: int, to_hour: int
) -> Iterator[tuple[int, int, float]]:
    """(place of the gauge among the names, UTC epoch hour, median of its minutes' means) of a span of hours, in order."""
    places = _places(connection, names)
    known = settled_hours(connection, from_hour=from_hour, to_hour=to_hour)
    open_from = min(max(from_hour, settled_to(connection)), to_hour)
    spans = [(hour, hour + 1) for hour in _hours_of_waiting(connection, from_hour, open_from)]
    for first, end in (*spans, (open_from, to_hour)):
        rows = read_gauge_rows(connection, from_minute=first * HOUR_MINUTES, to_minute=end * HOUR_MINUTES)
        for hour, gauge, median, minutes in medians(rows):
            if minutes >= known.get((hour, gauge), (median, 0))[1]:
                known[hour, gauge] = (median, minutes)
    for (hour, gauge), (median, _) in sorted(known.items()):
        if gauge in places:
            yield places[gauge], hour, median


def _hours_of_waiting(connection: sqlite3.Connection, from_hour: int, to_hour: int) -> list[int]:
    """UTC epoch hours of a span in which rows without a date lie, dated as well as is known."""
    rows = connection.execute(
        f"SELECT DISTINCT {_DATED_MINUTE} / {HOUR_MINUTES} AS at {_WAITING} WHERE at >= ? AND at < ? ORDER BY at",
        (from_hour, to_hour),
    )
    return [hour for (hour,) in rows.fetchall()]


def gauge_minute_span(connection: sqlite3.Connection) -> tuple[int, int] | None:
    """UTC epoch minutes of the oldest and the newest row with a date; None without any."""
    first, last = connection.execute("SELECT min(slot) >> 10, max(slot) >> 10 FROM gauge_minute").fetchone()
    return None if first is None else (int(first), int(last))


def latest_gauge_row(connection: sqlite3.Connection, name: str, *, from_minute: int) -> GaugeRow | None:
    """The newest row of a gauge since a UTC epoch minute, dated as well as is known; None without one."""
    found = connection.execute("SELECT id FROM gauge WHERE name = ?", (name,)).fetchone()
    if found is None:
        return None
    dated = connection.execute(
        "SELECT minute, gauge, mean, sd, samples FROM gauge_minute WHERE slot >= ? AND gauge = ? ORDER BY slot DESC LIMIT 1",
        (slot_of(from_minute, 0), *found),
    ).fetchall()
    waiting = connection.execute(
        f"SELECT {_DATED_MINUTE} AS at, gauge, mean, sd, samples {_WAITING} WHERE at >= ? AND gauge = ?"
        " ORDER BY at DESC LIMIT 1",
        (from_minute, *found),
    ).fetchall()
    return max((GaugeRow(*row) for row in (*dated, *waiting)), default=None, key=lambda row: row.minute)


def _places(connection: sqlite3.Connection, names: Sequence[str]) -> dict[int, int]:
    """Number of a gauge -> its place among the names."""
    ids = dict(connection.execute("SELECT name, id FROM gauge").fetchall())
    return {ids[name]: place for place, name in enumerate(names) if name in ids}


def _noted(rows: Iterable[GaugeRow], touched: set[tuple[int, int]]) -> Iterator[tuple[int, float, float | None, int]]:
    """The values of _KEEP, with the UTC epoch hour and gauge of each row put down."""
    for row in rows:
        touched.add((row.minute // HOUR_MINUTES, row.gauge))
        yield _stored(row)


def _stored(row: GaugeRow) -> tuple[int, float, float | None, int]:
    """The values of _KEEP."""
    return slot_of(row.minute, row.gauge), row.mean, row.sd, row.samples

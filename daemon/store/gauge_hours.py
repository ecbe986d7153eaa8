"""What a gauge showed in an hour: the median of its minutes, kept level with them and for good. Standard library only.

The hours up to the newest one that has a median are settled: each of them has its own, and whoever writes a minute into
one works it out anew. So a reader takes years of hours as they stand, and looks at the minutes of the last days alone. Of
an hour whose minutes are dropped the median stays, whatever few minutes of it come once more.
"""

import itertools
import sqlite3
from collections.abc import Iterable, Iterator, Sequence

from daemon.store.gauge_rows import GaugeRow, slot_of
from daemon.store.opening import transaction

HOUR_MINUTES = 60
DAY_HOURS = 24
_IN_SPAN = "SELECT minute, gauge, mean, sd, samples FROM gauge_minute WHERE slot >= ? AND slot < ?"
_KEEP = (
    "INSERT INTO gauge_hour (slot, median, minutes) VALUES (?, ?, ?) ON CONFLICT DO UPDATE"
    " SET median = excluded.median, minutes = excluded.minutes WHERE excluded.minutes >= minutes"
)


def settled_to(connection: sqlite3.Connection) -> int:
    """UTC epoch hour before which all hours have their medians; 0 where none has."""
    (hour,) = connection.execute("SELECT max(slot) >> 10 FROM gauge_hour").fetchone()
    return 0 if hour is None else int(hour) + 1


def keep_level(connection: sqlite3.Connection, touched: Iterable[tuple[int, int]]) -> None:
    """Work out anew what is settled of (UTC epoch hour, gauge), in the transaction that wrote their minutes."""
    settled = settled_to(connection)
    for hour, gauge in sorted(pair for pair in touched if pair[0] < settled):
        rows = connection.execute(f"{_IN_SPAN} AND gauge = ?", (*_span(hour, hour + 1), gauge)).fetchall()
        _keep(connection, map(GaugeRow._make, rows))


def settle_gauge_hours(connection: sqlite3.Connection, *, to_hour: int) -> None:
    """Give the hours before a UTC epoch hour their medians, a day in a transaction; an interrupted call is no loss."""
    more = True
    while more:
        with transaction(connection):
            more = _settle_a_day(connection, to_hour)


def _settle_a_day(connection: sqlite3.Connection, to_hour: int) -> bool:
    """Settle the hours of the first day that has any to settle; False if there is none."""
    (first,) = connection.execute(
        "SELECT min(slot) >> 10 FROM gauge_minute WHERE slot >= ?", _span(settled_to(connection), to_hour)[:1]
    ).fetchone()
    if first is None or first // HOUR_MINUTES >= to_hour:
        return False
    hour = first // HOUR_MINUTES
    rows = connection.execute(_IN_SPAN, _span(hour, min(hour - hour % DAY_HOURS + DAY_HOURS, to_hour))).fetchall()
    _keep(connection, map(GaugeRow._make, rows))
    return True


def drop_gauge_minutes(connection: sqlite3.Connection, *, to_hour: int) -> None:
    """Delete the minutes before a UTC epoch hour; the medians of their hours stay."""
    settle_gauge_hours(connection, to_hour=to_hour)
    with transaction(connection):
        connection.execute("DELETE FROM gauge_minute WHERE slot < ?", _span(to_hour, to_hour)[:1])


def settled_hours(
    connection: sqlite3.Connection, *, from_hour: int, to_hour: int
) -> dict[tuple[int, int], tuple[float, int]]:
    """(UTC epoch hour, gauge) -> (median, minutes that it is of) of what is settled in a span of hours."""
    rows = connection.execute(
        "SELECT hour, gauge, median, minutes FROM gauge_hour WHERE slot >= ? AND slot < ?",
        (slot_of(from_hour, 0), slot_of(to_hour, 0)),
    )
    return {(hour, gauge): (median, minutes) for hour, gauge, median, minutes in rows.fetchall()}


def outlived_hours(connection: sqlite3.Connection, pairs: Iterable[tuple[int, int]]) -> set[tuple[int, int]]:
    """Those of (UTC epoch hour, gauge) whose median is of more minutes than are there: what came late changes nothing."""
    found = set()
    for hour, gauge in pairs:
        slot = slot_of(hour, gauge)
        if (kept := connection.execute("SELECT minutes FROM gauge_hour WHERE slot = ?", (slot,)).fetchone()) is None:
            continue
        (there,) = connection.execute(
            "SELECT count(*) FROM gauge_minute WHERE slot >= ? AND slot < ? AND gauge = ?",
            (*_span(hour, hour + 1), gauge),
        ).fetchone()
        if kept[0] > there:
            found.add((hour, gauge))
    return found


def medians(rows: Iterable[GaugeRow]) -> Iterator[tuple[int, int, float, int]]:
    """(UTC epoch hour, gauge, median of its minutes' means, minutes); rows in any order."""
    ordered = sorted(rows, key=lambda row: (row.gauge, row.minute))
    for (gauge, hour), group in itertools.groupby(ordered, key=lambda row: (row.gauge, row.minute // HOUR_MINUTES)):
        means = [row.mean for row in group]
        yield hour, gauge, _median(means), len(means)


def _median(values: Sequence[float]) -> float:
    """The median; the module of the standard library for it would cost the always-on process 0.7 MB."""
    ordered, middle = sorted(values), len(values) // 2
    return ordered[middle] if len(values) % 2 else (ordered[middle - 1] + ordered[middle]) / 2


def _keep(connection: sqlite3.Connection, rows: Iterable[GaugeRow]) -> None:
    """Store the medians of rows; one of more minutes than are there now stays."""
    connection.executemany(
        _KEEP, [(slot_of(hour, gauge), median, minutes) for hour, gauge, median, minutes in medians(rows)]
    )


def _span(from_hour: int, to_hour: int) -> tuple[int, int]:
    """The keys of the minutes of a span of hours."""
    return slot_of(from_hour * HOUR_MINUTES, 0), slot_of(to_hour * HOUR_MINUTES, 0)

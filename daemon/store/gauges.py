"""Values of gauges, a row a minute. Standard library only."""

import sqlite3
from collections.abc import Iterable, Iterator, Sequence

from daemon.store.opening import transaction


def gauge_ids(connection: sqlite3.Connection, names: Iterable[str]) -> tuple[int, ...]:
    """The number of each gauge; a new one is given to a name that has none."""
    with transaction(connection):
        for name in names:
            connection.execute("INSERT INTO gauge (name) VALUES (?) ON CONFLICT DO NOTHING", (name,))
    ids = dict(connection.execute("SELECT name, id FROM gauge").fetchall())
    return tuple(ids[name] for name in names)


def write_gauge_minutes(connection: sqlite3.Connection, rows: Iterable[tuple[int, int, float, int]]) -> None:
    """Store (gauge, minute, mean, samples); the fuller of two rows of a minute stands, whichever came first."""
    with transaction(connection):
        connection.executemany(
            "INSERT INTO gauge_minute VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE"
            " SET mean = excluded.mean, samples = excluded.samples"
            " WHERE (excluded.samples, excluded.mean) > (samples, mean)",
            rows,
        )


def read_gauge_minutes(
    connection: sqlite3.Connection, names: Sequence[str], *, from_minute: int, to_minute: int
) -> Iterator[tuple[int, int, float]]:
    """(place of the gauge among the names, UTC epoch minute, mean) of a span of minutes, by gauge and time."""
    ids = dict(connection.execute("SELECT name, id FROM gauge").fetchall())
    for place, name in enumerate(names):
        rows = connection.execute(
            "SELECT minute, mean FROM gauge_minute WHERE gauge = ? AND minute >= ? AND minute < ? ORDER BY minute",
            (ids.get(name), from_minute, to_minute),
        )
        yield from ((place, minute, mean) for minute, mean in rows)

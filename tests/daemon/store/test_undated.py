"""Rows without a date: kept aside, seen as well as is known, moved to their place."""

import contextlib
import pathlib
import sqlite3
from collections.abc import Iterator

import numpy as np
import pytest

from config.plant import Meter
from daemon.latest import last_minute, latest_rows
from daemon.store import undated, writer
from daemon.store.hours import refresh_hours
from daemon.store.merging import MinuteRow
from daemon.store.prepare import prepare_store
from daemon.store.reader import read_minutes
from daemon.store.undated import Anchor

DAY = 20_000
OFFSET_MS = DAY * 86_400_000 + 12_345


@pytest.fixture
def store(tmp_path: pathlib.Path) -> Iterator[sqlite3.Connection]:
    """An empty database with one meter."""
    prepare_store(tmp_path / "rack.db")
    with contextlib.closing(writer.open_writer(tmp_path / "rack.db")) as connection:
        connection.execute("PRAGMA synchronous = OFF")  # what is written is looked at, not what is kept of it
        writer.meter_ids(connection, ["M1"])
        yield connection


def minutes(count: int) -> list[MinuteRow]:
    """So many minutes of 10 pulses a second on the monotonic clock, a reading a second."""
    return [
        MinuteRow(minute, 1, 0, 600 * minute + 590, 590, 59_000, 59_000, 10_000, 10_000, 60, 0)
        for minute in range(count)
    ]


def anchor(*, offset_ms: int = OFFSET_MS, known: bool = False, number: int = 1) -> Anchor:
    """What is believed of the clock."""
    return Anchor(id=number, boot="b", steady_ms=0, offset_ms=offset_ms, known=known)


def keep(store: sqlite3.Connection, count: int) -> None:
    """So many minutes under an anchor that is not known."""
    undated.write_anchor(store, anchor())
    undated.write_undated(store, 1, minutes(count))


def asked(store: sqlite3.Connection, question: str) -> list[tuple[object, ...]]:
    """All answers to a question."""
    return store.execute(question).fetchall()


def test_nothing_moves_before_the_clock_is_known(store: sqlite3.Connection) -> None:
    """Rows wait in their own table and touch no row that is dated."""
    keep(store, 5)

    assert not undated.move_known(store)
    assert asked(store, "SELECT count(*) FROM minute") == [(0,)]
    assert undated.undated_rows(store) == 5


def test_rows_are_moved_some_at_a_time(store: sqlite3.Connection) -> None:
    """After each step every row is in one of the two tables; at the end all are dated."""
    keep(store, 50)
    undated.write_anchor(store, anchor(offset_ms=OFFSET_MS + 86_400_000, known=True))
    whole = []
    while undated.move_known(store, most=7):
        (dated,) = store.execute("SELECT count(*) FROM minute").fetchone()
        whole.append(dated + undated.undated_rows(store))

    assert whole == [50] * 8
    first = (OFFSET_MS + 86_400_000 + 59_000) // 60_000
    assert asked(store, "SELECT min(minute), max(minute), sum(samples) FROM minute") == [(first, first + 49, 3000)]


def test_rows_of_one_minute_that_come_apart_are_joined(store: sqlite3.Connection) -> None:
    """A stop in the middle of a minute leaves one row, as with dated ones."""
    undated.write_anchor(store, anchor())
    undated.write_undated(store, 1, [MinuteRow(3, 1, 0, 10, 0, 1000, 0, None, None, 1, 0)])
    undated.write_undated(store, 1, [MinuteRow(3, 1, 0, 30, 0, 5000, 0, None, None, 1, 0)])

    assert asked(store, "SELECT count, pulses, samples FROM undated_minute") == [(30, 20, 2)]


def test_what_waits_is_seen_by_status_and_by_the_analysis(store: sqlite3.Connection) -> None:
    """Rows without a date show up at the best date that is known."""
    keep(store, 5)
    last = (OFFSET_MS + 4 * 60_000 + 59_000) // 60_000
    frame = read_minutes(store, {1: 0}, from_minute=DAY * 1440, to_minute=(DAY + 1) * 1440)

    assert last_minute(store) == last
    assert [(row.minute, row.counted) for row in latest_rows(store, "M1", from_minute=0, most=2)] == [
        (last, 2990),
        (last - 1, 2390),
    ]
    np.testing.assert_array_equal(frame.end_ms, OFFSET_MS + 59_000 + 60_000 * np.arange(5))


def test_hours_follow_the_dates(store: sqlite3.Connection) -> None:
    """Hours that were derived by a provisional date are gone once the true one is known, and derived there."""
    meters = [Meter(name="M1", k_points=((0.0, 450.0),))]
    keep(store, 150)
    refresh_hours(store, meters)
    before = asked(store, "SELECT hour, round(pulses / seconds, 3) FROM hour ORDER BY hour")
    undated.write_anchor(store, anchor(offset_ms=OFFSET_MS + 5 * 86_400_000, known=True))
    while undated.move_known(store):
        pass
    refresh_hours(store, meters)

    assert before == [(DAY * 24 + hour, 10.0) for hour in range(3)]
    assert asked(store, "SELECT hour, round(pulses / seconds, 3) FROM hour ORDER BY hour") == [
        ((DAY + 5) * 24 + hour, 10.0) for hour in range(3)
    ]
    assert {day for (day,) in asked(store, "SELECT day FROM usual_rate")} == {DAY + 5}


def test_anchors_are_bounded(store: sqlite3.Connection) -> None:
    """Old anchors go; one that rows hang on stays."""
    keep(store, 1)
    for number in range(2, 1202):
        undated.write_anchor(store, anchor(known=True, number=number))

    assert asked(store, "SELECT count(*), min(id) FROM anchor") == [(1001, 1)]

"""What the jobs write beside the collector, and when hours are worth writing."""

import pathlib
import sqlite3
from collections.abc import Iterator

import pytest

from config.plant import Meter
from daemon.store.hours import refresh_hours
from daemon.store.prepare import prepare_store
from daemon.store.writer import MinuteRow, meter_ids, write_minutes
from daemon.upkeep import HOURS_AT_ONCE, hours_behind, second_writer

METERS = (Meter(name="M1", k_points=((0.0, 450.0),)),)
MIDNIGHT_MIN = 20_000 * 1440
FULL, NORMAL = 2, 1
"""As `PRAGMA synchronous` answers (sqlite.org/pragma.html#pragma_synchronous)."""


@pytest.fixture
def store(tmp_path: pathlib.Path) -> Iterator[sqlite3.Connection]:
    """An empty database, as a job opens it."""
    prepare_store(tmp_path / "rack.db")
    with second_writer(tmp_path / "rack.db") as connection:
        meter_ids(connection, ["M1"])
        yield connection


def write_hours(store: sqlite3.Connection, first: int, last: int) -> None:
    """Minutes of a steady meter from one hour of the day to another."""
    rows = [
        MinuteRow(MIDNIGHT_MIN + minute, 1, 0, 600 * minute, 0, 0, 0, None, None, 1, 0)
        for minute in range(60 * first, 60 * last)
    ]
    write_minutes(store, rows)


def test_hours_of_a_day_that_runs_are_written_some_at_once(store: sqlite3.Connection) -> None:
    """Not with each that begins; at first at once, and as soon as so many have begun."""
    assert not hours_behind(store)
    write_hours(store, 0, 1)
    assert hours_behind(store)
    refresh_hours(store, METERS)
    write_hours(store, 1, HOURS_AT_ONCE)
    assert not hours_behind(store)
    write_hours(store, HOURS_AT_ONCE, HOURS_AT_ONCE + 1)
    assert hours_behind(store)


def test_what_can_be_redone_is_not_synced_by_itself(tmp_path: pathlib.Path) -> None:
    """Everything else is, and none of them checkpoints."""
    db = tmp_path / "rack.db"
    prepare_store(db)
    for can_be_redone, level in ((True, NORMAL), (False, FULL)):
        with second_writer(db, can_be_redone=can_be_redone) as connection:
            assert connection.execute("PRAGMA synchronous").fetchone() == (level,)
            assert connection.execute("PRAGMA wal_autocheckpoint").fetchone() == (0,)

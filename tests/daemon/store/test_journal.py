"""The journal, baselines and records in the database."""

import pathlib
import sqlite3
from collections.abc import Iterator

import pytest

from analysis.events import Event, EventKind
from daemon.store import journal, records
from daemon.store.baselines import BaselineRow, latest_baseline, save_baseline
from daemon.store.prepare import prepare_store
from daemon.store.writer import open_writer


@pytest.fixture
def store(tmp_path: pathlib.Path) -> Iterator[sqlite3.Connection]:
    """An empty database."""
    prepare_store(tmp_path / "rack.db")
    connection = open_writer(tmp_path / "rack.db")
    yield connection
    connection.close()


def job(at_s: float, value: str = "media_changed") -> Event:
    """A maintenance job on the carbon run."""
    return Event(at_s=at_s, kind=EventKind.MAINTENANCE, target="carbon", value=value)


def test_entries_come_back_in_order_of_time(store: sqlite3.Connection) -> None:
    """As they were written, to the millisecond."""
    assert journal.add_events(store, [job(200.25), job(100)], source="by hand") == 2
    assert journal.read_events(store) == (job(100), job(200.25))


def test_an_entry_made_twice_is_one(store: sqlite3.Connection) -> None:
    """Whatever its source."""
    journal.add_events(store, [job(100)], source="a.csv")
    assert journal.add_events(store, [job(100), job(100)], source="b.csv") == 0
    assert [entry.source for entry in journal.read_entries(store)] == ["a.csv"]


def test_only_a_pause_makes_hours_stale(store: sqlite3.Connection) -> None:
    """Hours hold raw pulses: no calibration, speed or job changes them."""
    journal.add_events(store, [job(100)], source="by hand")
    assert store.execute("SELECT * FROM stale_day").fetchall() == []
    journal.add_events(store, [Event(at_s=86_390, kind=EventKind.FEED_PAUSE, target="pump", value="10")], source="x")
    assert store.execute("SELECT * FROM stale_day").fetchall() == [(0,), (1,)]


def test_removing_an_entry_says_what_it_was(store: sqlite3.Connection) -> None:
    """And removing what is not there says so."""
    journal.add_events(store, [job(100), job(200)], source="by hand")
    first = journal.read_entries(store)[0]
    assert journal.remove_event(store, first.id) == first
    assert journal.remove_event(store, first.id) is None
    assert journal.read_events(store) == (job(200),)


def test_the_latest_baseline_is_the_one_made_last(store: sqlite3.Connection) -> None:
    """Earlier ones stay in the table."""
    assert latest_baseline(store) is None
    rows = [BaselineRow(made_ms=made, from_ms=0, to_ms=9, plant_digest="d", body='{"a": 1}') for made in (5, 3)]
    for row in rows:
        save_baseline(store, row)
    assert latest_baseline(store) == rows[1]
    assert store.execute("SELECT count(*) FROM baseline").fetchone() == (2,)


def test_loads_come_back(store: sqlite3.Connection) -> None:
    """As they were noted."""
    load = records.Load(digest="d", name="a.csv", lines=3, accepted=2, rejected=1, first_ms=1, last_ms=2)
    records.write_load(store, load)
    assert records.find_load(store, "d") == load
    assert records.find_load(store, "e") is None

"""A reader that never ends: the log stays within its bound, and is cut once the reader is gone."""

import contextlib
import itertools
import logging
import pathlib
import sqlite3
from collections.abc import Iterator, Mapping
from typing import Any

import pytest

from daemon import batch_store, clock
from daemon.batch_store import BatchStore
from daemon.inbox import Inbox
from daemon.store import write_log, writer
from daemon.store.merging import MinuteRow
from daemon.store.opening import JOURNAL_LIMIT_BYTES, open_lean_writer, open_reader
from daemon.store.prepare import prepare_store
from tests.support.fault_week import EPOCH_S, Clocks, make_collector

METERS = 20
SHORT_BYTES = 2_000_000
A_COMMIT_BYTES = write_log.MOST_BYTES / (7 * 1440)
"""What a commit of 20 meters may add to a log that stays within its bound for a week."""
AN_HOUR_BYTES = 3e6 / 24
"""What an hour's commit may add beyond the bound."""


@pytest.fixture
def store(tmp_path: pathlib.Path) -> Iterator[BatchStore]:
    """The collector's way into an empty database of 20 meters."""
    prepare_store(tmp_path / "rack.db")
    connection = open_lean_writer(tmp_path / "rack.db")
    connection.execute("PRAGMA synchronous = OFF")  # the length of the log is what counts here
    writer.meter_ids(connection, [f"M{number}" for number in range(METERS)])
    made = BatchStore(connection, kept_lines=10)
    yield made
    made.close()


def commit_minutes(store: BatchStore, minutes: range) -> None:
    """A commit a minute, as the collector makes it."""
    for minute in minutes:
        store.keep_rows(
            MinuteRow(29_000_000 + minute, meter, 0, 600 * minute, 590, 59_000, 59_000, 9_000, 11_000, 60, 0)
            for meter in range(1, METERS + 1)
        )
        assert store.commit({"collector": {"minute": minute}, "serial:a": {"words": "x" * 2000}}, now_ms=minute)


class Leaving(Clocks):
    """Clocks at whose three hundredth minute a reader goes home."""

    reader: sqlite3.Cursor

    def wait(self, timeout: float | None = None) -> bool:
        """Let the time pass."""
        if self.minute == 300:
            self.reader.close()
        return super().wait(timeout)


@contextlib.contextmanager
def pinned(path: pathlib.Path) -> Iterator[sqlite3.Cursor]:
    """A reader in the middle of its rows."""
    reader = open_reader(path)
    try:
        cursor = reader.execute("SELECT * FROM minute")
        cursor.fetchone()
        yield cursor
    finally:
        reader.close()


def test_the_log_is_used_over_and_over(store: BatchStore, tmp_path: pathlib.Path) -> None:
    """With nobody reading for long, a day of minutes leaves a log of half a megabyte."""
    commit_minutes(store, range(1440))

    assert (tmp_path / "rack.db-wal").stat().st_size < SHORT_BYTES


def test_what_a_pinned_log_costs(store: BatchStore, tmp_path: pathlib.Path) -> None:
    """Each commit adds less than its share of the bound, so that the bound holds for a week; then the log is cut."""
    commit_minutes(store, range(1))
    with pinned(tmp_path / "rack.db") as cursor:
        commit_minutes(store, range(1, 601))
        pinned_bytes = (tmp_path / "rack.db-wal").stat().st_size
        assert len(cursor.fetchall()) == METERS - 1
    commit_minutes(store, range(601, 603))

    assert 2 * SHORT_BYTES < pinned_bytes < 600 * A_COMMIT_BYTES
    assert (tmp_path / "rack.db-wal").stat().st_size <= JOURNAL_LIMIT_BYTES


def test_the_collector_follows(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A commit an hour while the log is pinned at its bound, one a minute again when the reader is gone."""
    monkeypatch.setattr(batch_store, "MOST_BYTES", 400_000)
    monkeypatch.setattr(write_log, "JOURNAL_LIMIT_BYTES", 300_000)
    db = tmp_path / "rack.db"
    prepare_store(db)
    inbox = Inbox()
    reader = open_reader(db)
    cursor = reader.execute("SELECT * FROM sqlite_master")
    cursor.fetchone()  # and no further: the cursor stays where it is
    clocks = Leaving(inbox, db, minutes=400, full_minutes=0)
    clocks.reader = cursor
    monkeypatch.setattr(clock, "monotonic_s", lambda: float(clocks.steady_s))
    monkeypatch.setattr(clock, "now_s", lambda: float(EPOCH_S + clocks.steady_s))
    commits: list[int] = []
    true_commit = BatchStore.commit

    def commit(store: BatchStore, states: Mapping[str, Any], *, now_ms: int) -> bool:
        commits.append(clocks.minute)
        return true_commit(store, states, now_ms=now_ms)

    monkeypatch.setattr(BatchStore, "commit", commit)
    collector = make_collector(db, inbox)
    assert collector.run(clocks)
    reader.close()

    held_up = [minute for minute in commits if 60 < minute < 300]
    assert all(after - before >= 60 for before, after in itertools.pairwise(held_up))
    assert len(held_up) >= 3
    assert len([minute for minute in commits if minute > 380]) >= 19


def test_what_rare_commits_cost(store: BatchStore, tmp_path: pathlib.Path) -> None:
    """A whole hour in one commit adds what the bound beyond the bound allows."""
    commit_minutes(store, range(1))
    with pinned(tmp_path / "rack.db"):
        before = (tmp_path / "rack.db-wal").stat().st_size
        store.keep_rows(
            MinuteRow(29_000_001 + minute, meter, 0, 600 * minute, 590, 59_000, 59_000, 9_000, 11_000, 60, 0)
            for minute in range(60)
            for meter in range(1, METERS + 1)
        )
        assert store.commit({"collector": {"minute": 1}, "serial:a": {"words": "x" * 2000}}, now_ms=1)
        assert 0 < (tmp_path / "rack.db-wal").stat().st_size - before < AN_HOUR_BYTES


def test_beyond_the_bound_commits_become_rare(
    store: BatchStore, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The store says that it is held up, once and in the log; it says so no more when the reader is gone."""
    caplog.set_level(logging.INFO)
    for name, value in (("LONG_BYTES", 200_000), ("MOST_BYTES", 1_000_000)):
        monkeypatch.setattr(batch_store, name, value)
    monkeypatch.setattr(write_log, "JOURNAL_LIMIT_BYTES", 100_000)
    commit_minutes(store, range(1))
    with pinned(tmp_path / "rack.db"):
        commit_minutes(store, range(1, 101))
        assert store.held_up
    commit_minutes(store, range(101, 103))

    assert not store.held_up
    assert (tmp_path / "rack.db-wal").stat().st_size < 100_000
    told = [record.getMessage().split()[0] for record in caplog.records]
    assert (told.count("log_pinned_by_a_reader"), told.count("log_cut")) == (1, 1)

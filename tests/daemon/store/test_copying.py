"""Copies of a database that others write to meanwhile."""

import contextlib
import os
import pathlib
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator

import pytest

from config.errors import OutputUnwritable, StoreError
from daemon.store import copying, writer
from daemon.store.copying import copy_database, integrity, row_counts
from daemon.store.opening import open_reader, open_writer
from daemon.store.prepare import prepare_store

ROWS = 3_000


@pytest.fixture
def db(tmp_path: pathlib.Path) -> pathlib.Path:
    """A database of some hundred pages."""
    path = tmp_path / "rack.db"
    prepare_store(path)
    with contextlib.closing(open_writer(path)) as connection:
        number = writer.meter_ids(connection, ["M1"])["M1"]
        writer.write_minutes(connection, [row(minute, number) for minute in range(ROWS)])
    return path


def row(minute: int, meter: int) -> writer.MinuteRow:
    """A minute of some meter."""
    return writer.MinuteRow(minute, meter, 0, 600 * minute, 590, 59_000, 59_000, 9_000, 11_000, 60, 0)


@contextlib.contextmanager
def reader(path: pathlib.Path) -> Iterator[sqlite3.Connection]:
    """A connection that may only read."""
    with contextlib.closing(open_reader(path)) as connection:
        yield connection


def leftovers(folder: pathlib.Path) -> list[str]:
    """Files of an unfinished copy."""
    return [path.name for path in folder.iterdir() if ".part" in path.name]


def test_a_copy_is_of_one_moment_while_another_writes(
    db: pathlib.Path, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows that are committed between two steps of the copy are not in it, and do not make it begin anew."""
    monkeypatch.setattr(copying, "PAGES_A_STEP", 5)
    steps: list[int] = []
    with contextlib.closing(open_writer(db)) as other, reader(db) as connection:

        def tell(done: int, _pages: int) -> None:
            steps.append(done)
            writer.write_minutes(other, [row(10_000 + len(steps), 1)])

        copied = copy_database(connection, tmp_path / "copy.db", tell=tell)
    with reader(db) as now, reader(tmp_path / "copy.db") as copy:
        assert now.execute("SELECT count(*) FROM minute").fetchone() == (ROWS + len(steps),)
        assert copy.execute("SELECT count(*), max(minute) FROM minute").fetchone() == (ROWS, ROWS - 1)
        assert integrity(copy) == "ok"
        assert copied.rows == row_counts(copy)
    assert len(steps) > 10
    assert steps == sorted(set(steps))


def test_a_copy_needs_no_other_file(db: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """What lies in the write-ahead log alone is in the copy, which goes into service elsewhere as it is."""
    away = tmp_path / "away"
    away.mkdir()
    with contextlib.closing(open_writer(db)) as other:
        other.execute("PRAGMA wal_autocheckpoint = 0")
        writer.write_minutes(other, [row(50_000, 1)])
        with reader(db) as connection:
            copy_database(connection, away / "rack.db")
    assert [path.name for path in away.iterdir()] == ["rack.db"]
    with contextlib.closing(open_writer(away / "rack.db")) as restored:
        assert restored.execute("SELECT max(minute) FROM minute").fetchone() == (50_000,)
        assert restored.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_what_a_killed_copy_left_is_cleared_away(db: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """Unfinished copies of processes that are gone; not one that is being made, nor anybody else's file."""
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    for name in (f".a.db.{gone.pid}.part", f".a.db.{gone.pid}.part-wal", f".b.db.{os.getpid()}.part", ".c.part"):
        (tmp_path / name).write_text("half a copy")
    with reader(db) as connection:
        copy_database(connection, tmp_path / "copy.db")

    assert sorted(leftovers(tmp_path)) == [f".b.db.{os.getpid()}.part", ".c.part"]


def test_damage_is_found_and_no_copy_left(db: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """A page of the table overwritten on the disk: the copy is refused, and an older one of that name stays."""
    target = tmp_path / "copy.db"
    target.write_bytes(b"the copy of yesterday")
    with contextlib.closing(sqlite3.connect(db)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'minute'").fetchone()
    with db.open("r+b") as file:
        file.seek(4096 * (root - 1))
        file.write(b"\xa5" * 3000)
    with reader(db) as connection, pytest.raises((StoreError, sqlite3.DatabaseError)):
        copy_database(connection, target)
    assert target.read_bytes() == b"the copy of yesterday"
    assert leftovers(tmp_path) == []


def test_other_rows_are_refused(db: pathlib.Path, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sound copy that holds fewer rows than were counted is no copy."""
    answers = iter([{"minute": 3000}, {"minute": 2999}])
    monkeypatch.setattr(copying, "row_counts", lambda _connection: next(answers))
    with reader(db) as connection, pytest.raises(StoreError, match="minute: 2999 rows, 3000 expected"):
        copy_database(connection, tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()


def test_too_little_room_is_said_beforehand(
    db: pathlib.Path, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With figures, and before a byte is written."""
    usage = shutil.disk_usage(tmp_path)._replace(free=900_000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: usage)
    with reader(db) as connection, pytest.raises(OutputUnwritable, match=r"needs 1 MB and .* has 1 MB free"):
        copy_database(connection, tmp_path / "copy.db")
    assert leftovers(tmp_path) == []


def test_a_disk_that_fills_up_meanwhile_leaves_nothing(
    db: pathlib.Path, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite's own "disk is full" becomes a message that says what to do."""
    real = sqlite3.connect

    def small(path: pathlib.Path, isolation_level: None) -> sqlite3.Connection:
        connection = real(path, isolation_level=isolation_level)
        connection.execute("PRAGMA max_page_count = 20")
        return connection

    with reader(db) as connection:
        monkeypatch.setattr(sqlite3, "connect", small)
        with pytest.raises(OutputUnwritable, match="check the room"):
            copy_database(connection, tmp_path / "copy.db")
    assert leftovers(tmp_path) == []

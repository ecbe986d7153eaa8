"""Readers that watch a database which another process writes."""

import contextlib
import pathlib
import signal
import subprocess
import sys
from collections.abc import Iterator

import pytest

from daemon.collecting import Claim
from daemon.store.merging import MinuteRow
from daemon.store.opening import open_reader, open_writer_beside
from daemon.store.prepare import prepare_store
from daemon.store.writer import meter_ids, write_minutes

WRITER = """
import sys
from daemon.store.keys import row_key
from daemon.store.writer import meter_ids, open_writer
base = open_writer(sys.argv[1])
meter_ids(base, ["M1"])
for line in sys.stdin:
    base.execute("INSERT INTO minute (slot, count, rest_ms) VALUES (?, 1, 0)", (row_key(int(line), 1),))
    print(flush=True)
"""


@pytest.fixture
def db(tmp_path: pathlib.Path) -> pathlib.Path:
    """An empty database."""
    prepare_store(tmp_path / "rack.db")
    return tmp_path / "rack.db"


class Writer:
    """A process that writes a row for each minute that it is told."""

    def __init__(self, db: pathlib.Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(db)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def write(self, minute: int) -> None:
        """Have a row written."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(f"{minute}\n")
        self.process.stdin.flush()
        self.process.stdout.readline()


@contextlib.contextmanager
def writing(db: pathlib.Path) -> Iterator[Writer]:
    """A writing process, which is gone afterwards."""
    writer = Writer(db)
    with writer.process:
        yield writer
        writer.process.kill()


@pytest.mark.parametrize(("watching", "untouched"), [(True, True), (False, False)])
def test_a_watcher_leaves_the_index_as_it_is(db: pathlib.Path, *, watching: bool, untouched: bool) -> None:
    """A watcher reads row after row and writes nothing into `-shm`; an ordinary reader leaves its mark there."""
    index = db.with_name("rack.db-shm")
    with writing(db) as writer:
        writer.write(1)
        with contextlib.closing(open_reader(db, watching=watching)) as reader:
            for minute in (2, 3):
                writer.write(minute)
                before = index.read_bytes()
                assert reader.execute("SELECT count(*) FROM minute").fetchall() == [(minute,)]
                assert (index.read_bytes() == before) is untouched


def test_a_watcher_outlives_writers(db: pathlib.Path) -> None:
    """Writers come, are killed and come again: who watches sees every row that was committed, and so do newcomers."""
    with writing(db) as first:
        first.write(1)
        with contextlib.closing(open_reader(db, watching=True)) as reader:
            first.process.send_signal(signal.SIGKILL)
            first.process.wait(10)
            assert reader.execute("SELECT count(*) FROM minute").fetchall() == [(1,)]
            with contextlib.closing(open_reader(db, watching=True)) as newcomer:
                assert newcomer.execute("SELECT count(*) FROM minute").fetchall() == [(1,)]
            with writing(db) as second:
                second.write(2)
                assert reader.execute("SELECT count(*) FROM minute").fetchall() == [(2,)]


def test_a_watcher_without_an_index(db: pathlib.Path) -> None:
    """Where nobody has the database open there is no index to leave alone, and it is read all the same."""
    assert not db.with_name("rack.db-shm").exists()
    with contextlib.closing(open_reader(db, watching=True)) as reader:
        assert reader.execute("SELECT count(*) FROM minute").fetchall() == [(0,)]


@pytest.mark.parametrize("running", [True, False])
def test_a_command_checkpoints_only_where_no_collector_runs(db: pathlib.Path, *, running: bool) -> None:
    """Beside a collector the log of writes only grows, far beyond where SQLite would bring it home; without, it is cut."""
    claim = Claim(str(db))
    if running:
        claim.hold()
    with contextlib.closing(open_reader(db)) as reader:
        reader.execute("SELECT count(*) FROM minute").fetchall()
        before = db.read_bytes()
        with contextlib.closing(open_writer_beside(db)) as command:
            number = meter_ids(command, ["M1"])["M1"]
            for first in range(0, 60_000, 100):
                rows = [
                    MinuteRow(minute, number, 0, 1, 0, 0, 0, None, None, 1, 0) for minute in range(first, first + 100)
                ]
                write_minutes(command, rows)
        assert (db.read_bytes() == before) is running
        assert reader.execute("SELECT count(*) FROM minute").fetchall() == [(60_000,)]
    claim.let_go()


def test_a_look_for_a_collector_keeps_no_collector_out(db: pathlib.Path) -> None:
    """A command that has the database open, or is done with it, does not stand for a collector."""
    with contextlib.closing(open_writer_beside(db)):
        claim = Claim(str(db))
        claim.hold()
        claim.let_go()

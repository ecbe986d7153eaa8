"""The collector's signs of life come from the loop that writes, and jobs beside it hold nothing up."""

import contextlib
import os
import pathlib
import sqlite3
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pytest

from config.load import load_plant
from daemon import clock
from daemon.batch_store import BatchStore
from daemon.collector import Collector
from daemon.inbox import Inbox
from daemon.jobs.jobs import Jobs
from daemon.jobs.nightly import keep_in_order
from daemon.plan import JobsPlan
from daemon.readings import Arrival, Reading
from daemon.sdnotify import ServiceManager
from daemon.sources.source import Source
from daemon.store import writer
from daemon.store.prepare import prepare_store
from tests.support.example_plants import PLANTS
from tests.support.waiting import wait_until


class Manager(ServiceManager):
    """A service manager that wants a sign of life every 30 ms, and keeps what it hears."""

    def __init__(self) -> None:
        super().__init__({"WATCHDOG_USEC": "30000"}, pid=1)
        self.heard: list[str] = []

    def notify(self, *lines: str) -> bool:
        """Keep the lines."""
        self.heard.extend(lines)
        return True

    @property
    def signs(self) -> int:
        """Signs of life so far."""
        return self.heard.count("WATCHDOG=1")


class StuckStore(BatchStore):
    """A store that can be held up in the middle of a write, as a card that does not answer."""

    answers = threading.Event()
    held = threading.Event()

    def commit(self, states: Mapping[str, Mapping[str, Any]], *, now_ms: int) -> bool:
        """Write, once the card answers."""
        if not self.answers.is_set():
            self.held.set()
            self.answers.wait(20)
        return super().commit(states, now_ms=now_ms)


class Ticking(Source):
    """A source that gives a reading every few milliseconds."""

    def _run(self) -> None:
        count = 0
        while not self._stopping.wait(0.005):
            count += 1
            now_ms = round(clock.monotonic_s() * 1000)
            reading = Reading(meter="M1", count=count, uptime_ms=None, arrival_ms=now_ms)
            self._inbox.offer([Arrival(source=self.name, readings=(reading,))])


@pytest.fixture(autouse=True)
def _quick_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rounds short enough for a test, jobs at once."""
    monkeypatch.setattr("daemon.collector.TICK_S", 0.01)
    monkeypatch.setattr("daemon.jobs.jobs.START_AFTER_S", 0.0)


@pytest.fixture
def db(tmp_path: pathlib.Path) -> pathlib.Path:
    """A prepared database."""
    prepare_store(tmp_path / "plant.db")
    return tmp_path / "plant.db"


@contextlib.contextmanager
def collecting(
    db: pathlib.Path, manager: Manager, *, stuck: bool = False, jobs: Jobs | None = None
) -> Iterator[Collector]:
    """A collector that runs in a thread of its own, until the end of the block."""
    inbox, stopping = Inbox(), threading.Event()
    connection = writer.open_writer(db)
    store = (StuckStore if stuck else BatchStore)(connection, kept_lines=10)
    collector = Collector(
        meters={"M1": (writer.meter_ids(connection, ["M1"])["M1"], 32)},
        sources=[(Ticking("serial:bench", "/dev/null", inbox), ["M1"])],
        store=store,
        inbox=inbox,
        manager=manager,
        jobs=jobs,
    )
    thread = threading.Thread(target=collector.run, args=(stopping,))
    thread.start()
    try:
        yield collector
    finally:
        stopping.set()
        thread.join(20)


def jobs_that(script: str, folder: pathlib.Path, names: Sequence[str] = ("nightly",)) -> Jobs:
    """Jobs that are all due, and run a script."""
    plan = JobsPlan(plant_file="p", names=tuple(names), timezone="UTC", weekly_on="mon", times={})
    return Jobs(
        plan,
        db=str(folder / "x"),
        histories={},
        first_s=clock.now_s() - 30 * 86_400,
        now_s=clock.now_s(),
        steady_s=clock.monotonic_s(),
        program=(sys.executable, "-I", "-S", "-c", script),
    )


def held(db: pathlib.Path, sql: str) -> list[tuple[Any, ...]]:
    """What a reader finds."""
    with contextlib.closing(sqlite3.connect(f"{db.as_uri()}?mode=ro", uri=True)) as connection:
        return connection.execute(sql).fetchall()


def test_a_writer_that_hangs_gives_no_sign_of_life(db: pathlib.Path) -> None:
    """Sources go on, and yet the service manager hears nothing until the write returns: so it can start us anew."""
    manager = Manager()
    StuckStore.answers.set()
    with collecting(db, manager, stuck=True) as collector:
        wait_until(lambda: manager.signs >= 3)
        StuckStore.held.clear()
        StuckStore.answers.clear()
        collector._committed_minute = -1
        assert StuckStore.held.wait(10)
        before, read = manager.signs, collector._inbox
        threading.Event().wait(0.5)
        waiting = len(read.empty().arrivals)
        after = manager.signs
        StuckStore.answers.set()
        wait_until(lambda: manager.signs > before)

    assert waiting > 20
    assert after == before
    assert manager.heard[0] == "READY=1"


def test_a_database_that_refuses_is_no_reason_to_start_anew(db: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a full disk the rows wait in memory, which a new start would lose: signs of life go on."""

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    manager = Manager()
    with collecting(db, manager) as collector:
        wait_until(lambda: manager.signs >= 1)
        with monkeypatch.context() as filled:
            filled.setattr("daemon.store.writer.write_minutes", full)
            collector._committed_minute = -1
            wait_until(lambda: collector._store.failures > 0)
            before = manager.signs
            wait_until(lambda: manager.signs > before + 3)


def test_a_job_that_fails_stops_nothing(db: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """Readings go on, the failure is in the database within a round, and the status text names it."""
    manager = Manager()
    script = "import sys; sys.stderr.write('the stick is gone'); sys.exit(74)"
    with collecting(db, manager, jobs=jobs_that(script, tmp_path)) as collector:
        wait_until(lambda: held(db, "SELECT name, outcome, words FROM job_run") != [])
        read = collector.read
        wait_until(lambda: collector.read > read + 20)
        wait_until(lambda: any("failing: nightly" in line for line in manager.heard))

    assert held(db, "SELECT name, outcome, words FROM job_run") == [("nightly", "failed", "the stick is gone")]
    assert held(db, "SELECT max(count) FROM minute") == [(collector.read,)]


def test_a_job_that_hangs_stops_nothing(db: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """Readings and signs of life go on beside it; it goes when the collector stops, and leaves no process behind."""
    manager = Manager()
    script = f"import os, time; open({str(tmp_path / 'pid')!r}, 'w').write(str(os.getpid())); time.sleep(600)"
    pid_file = tmp_path / "pid"
    with collecting(db, manager, jobs=jobs_that(script, tmp_path)) as collector:
        wait_until(lambda: pid_file.exists() and pid_file.read_text() != "")
        read, signs = collector.read, manager.signs
        wait_until(lambda: collector.read > read + 20 and manager.signs > signs + 3)
    with pytest.raises(ProcessLookupError):
        os.kill(int(pid_file.read_text()), 0)

    assert held(db, "SELECT count(*) FROM job_run") == [(0,)]


def test_jobs_and_collector_write_at_the_same_time(db: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """Nights one after the other, each while the collector commits: no commit fails, no pulse is lost.

    The minutes of the days before go, the copies are sound, and so is the database.
    """
    plant = tmp_path / "plant.toml"
    plant.write_text((PLANTS / "one_branch.toml").read_text() + "\n[store]\nminutes_kept_days = 1\nbackups_kept = 2\n")
    plant_file = load_plant(plant)
    today = int(clock.now_s() // 60)
    with contextlib.closing(writer.open_writer(db)) as connection:
        number = writer.meter_ids(connection, ["M1"])["M1"]
        old = [writer.MinuteRow(today - 1440 * 9 + n, number, 0, 1, 0, 0, 0, None, None, 1, 0) for n in range(6 * 1440)]
        writer.write_minutes(connection, old)
    manager = Manager()
    with collecting(db, manager) as collector:
        wait_until(lambda: manager.signs >= 1)
        commits = collector._store.failures
        until_s = clock.monotonic_s() + 1.5
        nights = 0
        while clock.monotonic_s() < until_s or nights < 2:
            collector._committed_minute = -1
            assert "checked and sound" in keep_in_order(plant_file, db, now_s=clock.now_s() + nights)
            nights += 1
        assert collector._store.failures == commits == 0

    assert held(db, "SELECT max(count) FROM minute") == [(collector.read,)]
    newest_old_day = (today - 1440 * 3 - 1) // 1440
    assert held(db, "SELECT min(minute) / 1440 FROM minute") == [(newest_old_day - 1,)]
    assert held(db, "PRAGMA integrity_check") == [("ok",)]
    assert len(list((tmp_path / "backups").iterdir())) == 2

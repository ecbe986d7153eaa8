"""The collector's loop with sources that say what they are told, and a real database."""

import logging
import pathlib
import sqlite3
import threading
from collections.abc import Sequence

import pytest

from daemon import clock
from daemon.batch_store import BatchStore
from daemon.inbox import Inbox
from daemon.readings import Arrival, Reading, Rejected
from daemon.sources.source import Source
from daemon.store import writer
from daemon.store.prepare import prepare_store
from tests.support.databases import rows
from tests.support.scripted_collecting import Script, collector_of, run, state
from tests.support.waiting import wait_until


class Crash(Source):
    """A source whose thread ends at once."""

    def _run(self) -> None:
        return


def arrival(count: int, uptime_s: int) -> Arrival:
    """A line with one reading of M1, taken and arriving so many seconds after a device started just now."""
    started_ms = round(clock.monotonic_s() * 1000) - 1_000_000
    reading = Reading(
        meter="M1", count=count, uptime_ms=uptime_s * 1000, arrival_ms=started_ms + uptime_s * 1000, edges=3
    )
    return Arrival(source="serial:bench", readings=(reading,))


@pytest.fixture(autouse=True)
def _quick_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rounds short enough for a test."""
    monkeypatch.setattr("daemon.collector.TICK_S", 0.05)


@pytest.fixture
def db(tmp_path: pathlib.Path) -> pathlib.Path:
    """A prepared database."""
    prepare_store(tmp_path / "plant.db")
    return tmp_path / "plant.db"


def test_a_stop_writes_the_open_minute(db: pathlib.Path) -> None:
    """Everything that came before the stop is in the database after it, though its minute is not over."""
    _, written = run(db, [arrival(10 * second, second) for second in range(1, 31)])

    assert written
    assert rows(db, "SELECT sum(samples) FROM minute") == [(30,)]
    assert rows(db, "SELECT max(count), min(count - pulses) FROM minute") == [(300, 10)]


def test_a_minute_that_is_over_is_written_while_collecting(db: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows of minutes that are over are committed without waiting for a stop, and only once."""
    monkeypatch.setattr("daemon.dating.SETTLE_MS", 0)
    inbox = Inbox()
    source = Script([arrival(10 * second, second) for second in range(1, 31)], inbox)
    collector = collector_of(db, source, inbox)
    stopping = threading.Event()
    running = threading.Thread(target=collector.run, args=(stopping,))
    running.start()
    source.done.wait(10)
    wait_until(lambda: collector.read == 30)
    monkeypatch.setattr(collector._clock, "closed_minute", lambda _late_ms: 2**31)
    wait_until(lambda: rows(db, "SELECT sum(samples) FROM minute") == [(30,)])
    stopping.set()
    running.join()

    assert rows(db, "SELECT sum(samples) FROM minute") == [(30,)]


def test_state_for_status(db: pathlib.Path) -> None:
    """The source's state tells lines, last reading and rejected edges; the collector's tells that it stopped."""
    run(db, [arrival(70, 7), arrival(70, 7), arrival(80, 8)])
    source = state(db, "serial:bench")

    assert (source["up"], source["words"], source["good"]) == (True, "port open", 3)
    meters = source["meters"]
    assert isinstance(meters, dict)
    assert {key: meters["M1"].get(key, 0) for key in ("count", "uptime_ms", "edges", "restarts", "doubled")} == {
        "count": 80,
        "uptime_ms": 8000,
        "edges": 3,
        "restarts": 0,
        "doubled": 1,
    }
    assert state(db, "collector")["stopped_ms"] is not None


def test_rejected_lines_are_counted_and_kept(db: pathlib.Path, caplog: pytest.LogCaptureFixture) -> None:
    """All rejected lines are counted by reason; quarantine and log hold each kind of line once."""
    caplog.set_level(logging.INFO)
    bad = Rejected(source="serial:bench", reason="CRC wrong", line="$PCLB,x")
    run(db, [bad] * 500)

    assert rows(db, "SELECT source, reason, times FROM rejected") == [("serial:bench", "CRC wrong", 500)]
    assert rows(db, "SELECT line FROM quarantine") == [("$PCLB,x",)]
    assert sum("input_rejected" in record.getMessage() for record in caplog.records) == 1


def test_a_damaged_count_is_refused_and_counted(db: pathlib.Path) -> None:
    """A count that no meter could have reached, and that the next line does not confirm, is rejected input."""
    run(db, [arrival(10, 1), arrival(2_000_000_000, 2), arrival(30, 3)])

    assert rows(db, "SELECT sum(samples), max(count) FROM minute") == [(2, 30)]
    assert rows(db, "SELECT reason, line FROM quarantine") == [
        ("count jumps faster than any meter turns", "M1: count 2000000000")
    ]


def test_restart_is_stored_and_told(db: pathlib.Path, caplog: pytest.LogCaptureFixture) -> None:
    """A restart of the counter opens a part and is one line in the log."""
    caplog.set_level(logging.INFO)
    run(db, [arrival(500, 50), arrival(510, 51), arrival(3, 1)])

    assert rows(db, "SELECT restart, sum(samples) FROM minute GROUP BY restart ORDER BY restart") == [(0, 2), (1, 1)]
    assert [record.getMessage() for record in caplog.records if "restarted" in record.getMessage()] == [
        "counter_restarted source=serial:bench meter=M1 count=3"
    ]


def test_restart_between_two_runs_is_noticed(db: pathlib.Path) -> None:
    """The second run remembers the last reading of the first, and so sees that the counter restarted in between."""
    run(db, [arrival(5000, 900)])
    run(db, [arrival(20, 2)])

    assert sorted(rows(db, "SELECT count, restart FROM minute")) == [(20, 1), (5000, 0)]


def test_two_runs_of_one_minute_lose_nothing(db: pathlib.Path) -> None:
    """Two runs that follow each other hold every pulse between their first and last reading."""
    run(db, [arrival(10 * second, second) for second in range(900, 910)])
    run(db, [arrival(10 * second, second) for second in range(911, 921)])

    assert rows(db, "SELECT sum(samples), max(count), min(count - pulses) FROM minute") == [(20, 9200, 9000)]


def test_a_database_that_refuses_is_tried_again(
    db: pathlib.Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A write that fails keeps its rows, is one line in the log, and is made good by the next."""
    calls = []
    true_write = writer.write_minutes

    def refuse_twice(connection: sqlite3.Connection, rows: Sequence[writer.MinuteRow]) -> int:
        calls.append(len(rows))
        if rows and len(calls) <= 3:
            raise sqlite3.OperationalError("disk I/O error")
        return true_write(connection, rows)

    monkeypatch.setattr(writer, "write_minutes", refuse_twice)
    monkeypatch.setattr("daemon.collector.PAUSE_S", 0.01)
    caplog.set_level(logging.INFO)
    collector, written = run(db, [arrival(10, 1), arrival(20, 2)])

    told = [record.getMessage().split()[0] for record in caplog.records]
    assert written
    assert (told.count("write_failed"), told.count("write_recovered")) == (1, 1)
    assert rows(db, "SELECT sum(samples) FROM minute") == [(2,)]
    assert collector.read == 2


def test_rows_of_one_minute_taken_twice_are_merged(db: pathlib.Path) -> None:
    """Two takings of one minute that wait for the same write become one row, as they would one after the other."""
    connection, row = opened(db)
    store = BatchStore(connection, kept_lines=10)
    store.keep_rows([row])
    store.keep_rows([row._replace(counted=200, at_ms=20_000)])

    assert store.commit({}, now_ms=0)
    store.close()
    assert rows(db, "SELECT count, pulses, samples FROM minute") == [(200, 150, 12)]


def opened(db: pathlib.Path) -> tuple[sqlite3.Connection, writer.MinuteRow]:
    """The writing connection, and a row that it can take."""
    connection = writer.open_writer(db)
    (number,) = writer.meter_ids(connection, ["M1"]).values()
    row = writer.MinuteRow(
        minute=30_000_000,
        meter=number,
        part=0,
        counted=100,
        pulses=50,
        at_ms=10_000,
        span_ms=5_000,
        low_mhz=10_000,
        high_mhz=10_000,
        samples=6,
        restart=0,
    )
    return connection, row


def test_full_disk(db: pathlib.Path) -> None:
    """With no page left the rows wait; once there is room they are all written, and nothing was half written."""
    connection, row = opened(db)
    (pages,) = connection.execute("PRAGMA page_count").fetchone()
    connection.execute(f"PRAGMA max_page_count = {pages}")
    store = BatchStore(connection, kept_lines=10)
    store.keep_rows(row._replace(minute=row.minute + later) for later in range(3000))

    assert not store.commit({"collector": {}}, now_ms=0)
    assert (store.waiting_rows, rows(db, "SELECT count(*) FROM minute")) == (3000, [(0,)])
    connection.execute("PRAGMA max_page_count = 1000000")
    assert store.commit({"collector": {}}, now_ms=0)
    assert (store.waiting_rows, rows(db, "SELECT count(*) FROM minute")) == (0, [(3000,)])
    store.close()


def test_another_writer_holds_the_database(db: pathlib.Path) -> None:
    """While another program writes, as `load` does, the rows wait for their turn."""
    connection, row = opened(db)
    connection.execute("PRAGMA busy_timeout = 10")
    store = BatchStore(connection, kept_lines=10)
    store.keep_rows([row])
    other = writer.open_writer(db)
    other.execute("BEGIN IMMEDIATE")

    assert not store.commit({}, now_ms=0)
    other.execute("ROLLBACK")
    assert store.commit({}, now_ms=0)
    assert rows(db, "SELECT count(*) FROM minute") == [(1,)]
    other.close()
    store.close()


def test_a_database_that_refuses_for_good_is_reported(db: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If nothing can be written even at the end, the run says so."""

    def refuse(*_: object) -> int:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(writer, "write_minutes", refuse)
    monkeypatch.setattr("daemon.collector.PAUSE_S", 0.01)

    assert run(db, [arrival(10, 1)])[1] is False


def test_full_inbox_is_counted(db: pathlib.Path) -> None:
    """What does not fit into the inbox is counted, and the rest goes its way."""
    run(db, [arrival(10 * second, second) for second in range(1, 21)], inbox=Inbox(5))
    lost = state(db, "collector")["lost"]

    assert isinstance(lost, int)
    assert lost >= 1
    assert rows(db, "SELECT sum(samples) FROM minute")[0][0] == 20 - lost


def test_a_source_that_dies_ends_the_run(db: pathlib.Path) -> None:
    """A source whose thread has ended by a fault is not overlooked: the run ends and names it."""
    inbox = Inbox()
    collector = collector_of(db, Crash("serial:bench", "/dev/null", inbox), inbox)
    assert collector.run(threading.Event())
    assert collector.dead_sources == ["serial:bench"]


def test_step_of_the_clock_is_told(
    db: pathlib.Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A wall clock that jumps is one line in the log."""
    caplog.set_level(logging.INFO)
    inbox = Inbox()
    collector = collector_of(db, Script([], inbox), inbox)
    true_now_s = clock.now_s
    monkeypatch.setattr(clock, "now_s", lambda: true_now_s() - 3600)
    collector.run(threading.Event(), seconds=0.5)

    stepped = [record.getMessage() for record in caplog.records if "clock" in record.getMessage()]
    assert stepped == ["clock_stepped by_s=-3600.0"]

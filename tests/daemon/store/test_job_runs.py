"""What the jobs did, in the store."""

import contextlib
import dataclasses
import pathlib
import sqlite3
from collections.abc import Iterator

import pytest

from daemon.store import job_runs
from daemon.store.job_runs import JobHistory, JobRun, Outcome, read_job_histories, write_job_runs
from daemon.store.opening import open_writer
from daemon.store.prepare import prepare_store


@pytest.fixture
def connection(tmp_path: pathlib.Path) -> Iterator[sqlite3.Connection]:
    """An empty database."""
    prepare_store(tmp_path / "rack.db")
    with contextlib.closing(open_writer(tmp_path / "rack.db")) as opened:
        yield opened


def run(at_ms: int, outcome: Outcome, name: str = "nightly") -> JobRun:
    """A run of a second."""
    return JobRun(name=name, started_ms=at_ms, ended_ms=at_ms + 1000, outcome=outcome, words=f"at {at_ms}")


def test_a_history_counts_failures_since_the_last_good_run(connection: sqlite3.Connection) -> None:
    """A run that came too late is a failure; one with nothing to do is none."""
    good, bad, late, idle = Outcome.GOOD, Outcome.FAILED, Outcome.LATE, Outcome.IDLE
    write_job_runs(connection, [run(1, bad), run(2, good), run(3, bad), run(4, late)])
    write_job_runs(connection, [run(5, bad, "assess"), run(6, idle, "assess"), run(7, bad, "weekly")])

    assert read_job_histories(connection) == {
        "nightly": JobHistory(last=run(4, late), done_ms=2, failures=2),
        "assess": JobHistory(last=run(6, idle, "assess"), done_ms=6, failures=0),
        "weekly": JobHistory(last=run(7, bad, "weekly"), done_ms=None, failures=1),
    }


def test_the_oldest_runs_of_a_job_go(connection: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of that job alone: a table that is written each hour for years stays small."""
    monkeypatch.setattr(job_runs, "RUNS_KEPT", 3)
    write_job_runs(connection, [run(0, Outcome.GOOD, "weekly"), *(run(at_ms, Outcome.FAILED) for at_ms in range(10))])

    assert connection.execute("SELECT name, started_ms FROM job_run ORDER BY id").fetchall() == [
        ("weekly", 0), ("nightly", 7), ("nightly", 8), ("nightly", 9),
    ]  # fmt: skip


def test_a_run_like_the_one_before_takes_its_place(connection: sqlite3.Connection) -> None:
    """Only if it went well, and of the same job; another's runs in between do not matter."""
    good, bad = Outcome.GOOD, Outcome.FAILED
    runs = [run(1, good), run(2, good), run(3, good, "assess"), run(4, good), run(5, bad), run(6, bad), run(7, good)]
    runs = [dataclasses.replace(each, words="as ever") for each in runs]
    write_job_runs(connection, runs)

    assert connection.execute("SELECT name, started_ms, ended_ms FROM job_run ORDER BY id").fetchall() == [
        (each.name, each.started_ms, each.ended_ms) for each in (runs[3], runs[2], *runs[4:])
    ]
    assert read_job_histories(connection)["nightly"] == JobHistory(last=runs[6], done_ms=7, failures=0)

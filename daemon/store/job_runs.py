"""What the jobs did. Standard library only, for the always-on process."""

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from daemon.store.opening import transaction

RUNS_KEPT = 500
"""A job's runs that are kept: three weeks of an hourly one."""


class Outcome(StrEnum):
    """How a run ended; `late`: over its time limit; `idle`: there is nothing to do yet."""

    GOOD = "good"
    IDLE = "idle"
    FAILED = "failed"
    LATE = "late"

    @property
    def bad(self) -> bool:
        """Whether the work is still to be done."""
        return self in {Outcome.FAILED, Outcome.LATE}


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRun:
    """One run of a job, UTC epoch milliseconds; `words` say what it did or why it could not."""

    name: str
    started_ms: int
    ended_ms: int
    outcome: Outcome
    words: str

    def is_like(self, other: "JobRun") -> bool:
        """Whether it went well as another did, with the same words."""
        return not self.outcome.bad and (self.outcome, self.words) == (other.outcome, other.words)


@dataclass(frozen=True, slots=True, kw_only=True)
class JobHistory:
    """What is known of a job: its last run, when the last one that did its work began, and how often it failed since."""

    last: JobRun
    done_ms: int | None
    failures: int


def write_job_runs(connection: sqlite3.Connection, runs: Iterable[JobRun]) -> None:
    """Store runs that ended; each job's oldest go.

    One that went well as the one before did, with the same words, takes its place: that is one page of the card in
    place of up to four, for a job that runs every ten minutes.
    """
    with transaction(connection):
        for run in runs:
            if _takes_the_place(connection, run):
                continue
            connection.execute(
                "INSERT INTO job_run (name, started_ms, ended_ms, outcome, words) VALUES (?, ?, ?, ?, ?)",
                (run.name, run.started_ms, run.ended_ms, run.outcome.value, run.words),
            )
            connection.execute(
                "DELETE FROM job_run WHERE name = ? AND id <="
                " (SELECT id FROM job_run WHERE name = ? ORDER BY id DESC LIMIT 1 OFFSET ?)",
                (run.name, run.name, RUNS_KEPT),
            )


def _takes_the_place(connection: sqlite3.Connection, run: JobRun) -> bool:
    """Put a run in the place of the job's last one, if that was like it."""
    last = connection.execute(
        "SELECT id, outcome, words FROM job_run WHERE name = ? ORDER BY id DESC LIMIT 1", (run.name,)
    ).fetchone()
    if last is None or run.outcome.bad or last[1:] != (run.outcome.value, run.words):
        return False
    connection.execute(
        "UPDATE job_run SET started_ms = ?, ended_ms = ? WHERE id = ?", (run.started_ms, run.ended_ms, last[0])
    )
    return True


def read_job_histories(connection: sqlite3.Connection) -> dict[str, JobHistory]:
    """What is known of each job that ever ran."""
    found: dict[str, JobHistory] = {}
    for name, started_ms, ended_ms, outcome, words in connection.execute(
        "SELECT name, started_ms, ended_ms, outcome, words FROM job_run ORDER BY id"
    ).fetchall():
        run = JobRun(name=name, started_ms=started_ms, ended_ms=ended_ms, outcome=Outcome(outcome), words=words)
        before = found.get(name)
        if run.outcome.bad:
            done_ms = None if before is None else before.done_ms
            failures = 1 if before is None else before.failures + 1
            found[name] = JobHistory(last=run, done_ms=done_ms, failures=failures)
        else:
            found[name] = JobHistory(last=run, done_ms=started_ms, failures=0)
    return found

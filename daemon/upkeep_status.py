"""How the plant's upkeep goes: what was found, jobs, copies, the disk. Read from the database; base install, no numpy."""

import pathlib
import shutil
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from daemon.store.findings import StoredFinding, read_open_findings
from daemon.store.job_runs import JobHistory, JobRun, read_job_histories
from daemon.store.notes import DAY_S, Note, read_disk, read_notes

GROWTH_DAYS = 30
LEAST_DAYS = 2
"""Room is compared with that of so many days ago; over less, a log that was turned tells more than the growth."""
LEAST_FREE_BYTES = 200_000_000
SOON_FULL_DAYS = 14.0
FAILURES_TO_MIND = 3
"""A disk with less room or time left, and a job that failed more often, is an alarm (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobStatus:
    """A job: its last run (None before the first), failures since it did its work, what is to come, UTC epoch ms."""

    name: str
    last: JobRun | None
    failures: int
    running_since_ms: int | None
    next_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DiskStatus:
    """Room where the database lies.

    Attributes:
        growth_bytes_a_day: by how much the free room shrank a day over the last `over_days`; None before that is known.
        full_in_days: at that growth; None if it is not known or does not grow.
    """

    free_bytes: int
    growth_bytes_a_day: float | None
    over_days: float
    full_in_days: float | None

    @property
    def scarce(self) -> bool:
        """Whether something must be done about it."""
        soon = self.full_in_days is not None and self.full_in_days < SOON_FULL_DAYS
        return soon or self.free_bytes < LEAST_FREE_BYTES


@dataclass(frozen=True, slots=True, kw_only=True)
class UpkeepStatus:
    """Everything of it; notes are None before the first of their kind."""

    jobs: tuple[JobStatus, ...]
    disk: DiskStatus
    backup: Note | None
    integrity: Note | None
    assessment: Note | None
    findings: tuple[StoredFinding, ...]

    @property
    def failing(self) -> tuple[JobStatus, ...]:
        """Jobs that have failed often enough to be minded."""
        return tuple(job for job in self.jobs if job.failures >= FAILURES_TO_MIND)

    @property
    def damaged(self) -> bool:
        """Whether the last check found the database damaged."""
        return self.integrity is not None and not self.integrity.body.get("good", True)


def read_upkeep(
    connection: sqlite3.Connection, db: pathlib.Path, planned: Mapping[str, Any], *, now_s: float
) -> UpkeepStatus:
    """Gather it.

    Args:
        connection: of `open_reader`.
        db: path of the database.
        planned: what the running collector says of its jobs (daemon.jobs.jobs.Jobs.body); empty without one.
        now_s: UTC epoch seconds.
    """
    notes = read_notes(connection)
    return UpkeepStatus(
        jobs=_jobs(read_job_histories(connection), planned),
        disk=_disk(connection, db, now_s),
        backup=notes.get("backup"),
        integrity=notes.get("integrity"),
        assessment=notes.get("assessment"),
        findings=read_open_findings(connection),
    )


def _jobs(histories: Mapping[str, JobHistory], planned: Mapping[str, Any]) -> tuple[JobStatus, ...]:
    """Jobs that are planned, then those that only ever ran."""
    names = [*planned, *(name for name in histories if name not in planned)]
    return tuple(_job(name, histories.get(name), planned.get(name, {})) for name in names)


def _job(name: str, history: JobHistory | None, plan: Mapping[str, Any]) -> JobStatus:
    """One job."""
    return JobStatus(
        name=name,
        last=None if history is None else _last(history.last, plan.get("again_ms")),
        failures=0 if history is None else history.failures,
        running_since_ms=plan.get("running_since_ms"),
        next_ms=plan.get("next_ms"),
    )


def _last(kept: JobRun, again_ms: Sequence[int] | None) -> JobRun:
    """The last run: the one that is kept, or one that went as it did since (daemon.jobs.jobs.Jobs.body)."""
    if again_ms is None or again_ms[0] <= kept.started_ms:
        return kept
    return replace(kept, started_ms=again_ms[0], ended_ms=again_ms[1])


def _disk(connection: sqlite3.Connection, db: pathlib.Path, now_s: float) -> DiskStatus:
    """Room now, and how it shrank since the oldest night of the last weeks."""
    free_bytes = shutil.disk_usage(db.absolute().parent).free
    today = int(now_s // DAY_S)
    noted = [day for day in read_disk(connection, from_day=today - GROWTH_DAYS) if day.day <= today - LEAST_DAYS]
    if not noted:
        return DiskStatus(free_bytes=free_bytes, growth_bytes_a_day=None, over_days=0.0, full_in_days=None)
    over_days = float(today - noted[0].day)
    growth = (noted[0].free_bytes - free_bytes) / over_days
    return DiskStatus(
        free_bytes=free_bytes,
        growth_bytes_a_day=growth,
        over_days=over_days,
        full_in_days=free_bytes / growth if growth > 0 else None,
    )

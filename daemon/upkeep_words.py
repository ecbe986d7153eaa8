"""What `clearbore status` says of findings, jobs, copies and the disk, for people and for machines."""

import zoneinfo
from collections.abc import Iterator
from typing import Any

from daemon import clock
from daemon.store.findings import StoredFinding
from daemon.store.job_runs import Outcome
from daemon.store.notes import Note
from daemon.tables import columns
from daemon.upkeep_status import LEAST_FREE_BYTES, SOON_FULL_DAYS, DiskStatus, JobStatus, UpkeepStatus

JOB_WORDS = {"assess": "judgement", "nightly": "nightly upkeep and copy", "weekly": "weekly report"}
OUTCOME_WORDS = {
    Outcome.GOOD: "good",
    Outcome.IDLE: "nothing to do yet",
    Outcome.FAILED: "FAILED",
    Outcome.LATE: "FAILED",
}
LONG_DAYS = 3_650.0


def lines_of(upkeep: UpkeepStatus, zone: zoneinfo.ZoneInfo, plant: str, *, now_s: float) -> Iterator[str]:
    """The upkeep in text, parted by empty lines."""
    yield from _findings(upkeep, zone)
    yield ""
    yield from _jobs(upkeep, zone, now_s)
    yield ""
    yield _disk(upkeep.disk)
    yield _copy(upkeep.backup, plant, now_s)
    yield _integrity(upkeep.integrity, plant, now_s)


def alarms_of(upkeep: UpkeepStatus, *, now_s: float) -> list[str]:
    """What of it must be acted on, a sentence each."""
    found = [f"{finding.summary} {finding.action}" for finding in upkeep.findings]
    if upkeep.damaged:
        found.append("the database is damaged: stop the collector and go back to the newest copy (README: Copies)")
    if upkeep.disk.scarce:
        found.append(_scarce(upkeep.disk))
    found += [_failing(job, now_s) for job in upkeep.failing]
    return found


def json_of(upkeep: UpkeepStatus, *, now_s: float) -> dict[str, Any]:
    """The same for machines."""
    assessment, backup, integrity, disk = upkeep.assessment, upkeep.backup, upkeep.integrity, upkeep.disk
    return {
        "findings": [_finding_json(finding) for finding in upkeep.findings],
        "assessed": None
        if assessment is None
        else {"at": clock.utc_text_of_ms(assessment.at_ms), "until": clock.utc_text(assessment.body["until_s"])},
        "jobs": [_job_json(job) for job in upkeep.jobs],
        "disk": {
            "free_bytes": disk.free_bytes,
            "growth_bytes_per_day": disk.growth_bytes_a_day,
            "growth_over_days": disk.over_days,
            "full_in_days": disk.full_in_days,
            "scarce": disk.scarce,
        },
        "backup": None
        if backup is None
        else {"at": clock.utc_text_of_ms(backup.at_ms), "age_s": round(now_s - backup.at_ms / 1000, 1), **backup.body},
        "integrity": None if integrity is None else {"at": clock.utc_text_of_ms(integrity.at_ms), **integrity.body},
    }


def duration(seconds: float) -> str:
    """A span in the unit that fits."""
    for limit, divisor, unit in ((120, 1, "s"), (7_200, 60, "min"), (172_800, 3_600, "h")):
        if seconds < limit:
            return f"{max(seconds, 0.0) / divisor:.0f} {unit}"
    return f"{seconds / 86_400:.0f} days"


def _findings(upkeep: UpkeepStatus, zone: zoneinfo.ZoneInfo) -> Iterator[str]:
    """What is wrong, as it was judged last."""
    if upkeep.assessment is None:
        yield "never judged by a job; `clearbore diagnose` does it now"
        return
    until = _time(1000 * upkeep.assessment.body["until_s"], zone)
    if not upkeep.findings:
        yield f"judged with the readings up to {until}: nothing is wrong"
        return
    yield f"judged with the readings up to {until} (`clearbore diagnose` shows the evidence):"
    yield from (
        f"  {finding.status}, since {_time(finding.raised_ms, zone)}: {finding.id}" for finding in upkeep.findings
    )


def _jobs(upkeep: UpkeepStatus, zone: zoneinfo.ZoneInfo, now_s: float) -> Iterator[str]:
    """The jobs as a table, and why one fails."""
    if not upkeep.jobs:
        yield "no job has run yet; a running `clearbore collect` has them done"
        return
    yield from columns([("job", "last run", "result", "next"), *(_cells(job, zone, now_s) for job in upkeep.jobs)])
    for job in upkeep.jobs:
        if job.last is not None and job.last.outcome is not Outcome.GOOD:
            yield f"  {JOB_WORDS.get(job.name, job.name)}: {job.last.words}"


def _cells(job: JobStatus, zone: zoneinfo.ZoneInfo, now_s: float) -> tuple[str, str, str, str]:
    """A job's line."""
    last, result = "never", "-"
    if job.last is not None:
        last = f"{duration(now_s - job.last.started_ms / 1000)} ago"
        result = OUTCOME_WORDS[job.last.outcome] + (f", {job.failures} times" if job.failures > 1 else "")
    if job.running_since_ms is not None:
        coming = f"running for {duration(now_s - job.running_since_ms / 1000)}"
    elif job.next_ms is None:
        coming = "when the collector runs"
    elif job.next_ms <= 1000 * now_s:
        coming = "due, one at a time"
    else:
        coming = _time(job.next_ms, zone)
    return JOB_WORDS.get(job.name, job.name), last, result, coming


def _disk(disk: DiskStatus) -> str:
    """Room, and for how long."""
    text = f"disk: {_size(disk.free_bytes)} free"
    if disk.growth_bytes_a_day is None:
        return f"{text}; how fast it fills is known after two nights of jobs"
    if disk.full_in_days is None or disk.full_in_days > LONG_DAYS:
        return f"{text}, enough for more than ten years at the pace of the last {disk.over_days:.0f} days"
    return f"{text}, full in {disk.full_in_days:,.0f} days at the pace of the last {disk.over_days:.0f} days"


def _scarce(disk: DiskStatus) -> str:
    """What to do about too little room."""
    soon = disk.full_in_days is not None and disk.full_in_days < SOON_FULL_DAYS
    left = f"full in {disk.full_in_days:.0f} days" if soon else f"less than {LEAST_FREE_BYTES / 1e6:.0f} MB free"
    return (
        f"the disk is nearly full ({left}): free some space, move `backup_folder` to a stick, or keep fewer days with "
        "`minutes_kept_days`"
    )


def _failing(job: JobStatus, now_s: float) -> str:
    """What fails, how often, and why."""
    words = "" if job.last is None else f": {job.last.words}"
    ago = "" if job.last is None else f", last {duration(now_s - job.last.started_ms / 1000)} ago"
    return f"{JOB_WORDS.get(job.name, job.name)} failed {job.failures} times in a row{ago}{words}"


def _copy(note: Note | None, plant: str, now_s: float) -> str:
    """The last copy."""
    if note is None:
        return f"no copy of the database was ever made: `clearbore backup {plant}`"
    age = duration(now_s - note.at_ms / 1000)
    return f"last copy: {note.body['path']} ({_size(note.body['bytes'])}), {age} ago"


def _integrity(note: Note | None, plant: str, now_s: float) -> str:
    """The last look through the whole database."""
    if note is None:
        return f"never looked through for damage: `clearbore backup --check {plant}`"
    found = "sound" if note.body["good"] else f"DAMAGED: {note.body['words']}"
    return f"looked through for damage {duration(now_s - note.at_ms / 1000)} ago: {found}"


def _job_json(job: JobStatus) -> dict[str, Any]:
    """A job for machines."""
    last = job.last
    return {
        "name": job.name,
        "last_started_at": None if last is None else clock.utc_text_of_ms(last.started_ms),
        "last_ended_at": None if last is None else clock.utc_text_of_ms(last.ended_ms),
        "result": None if last is None else last.outcome.value,
        "words": None if last is None else last.words,
        "failures": job.failures,
        "running_since": clock.utc_text_of_ms(job.running_since_ms),
        "next_at": clock.utc_text_of_ms(job.next_ms),
    }


def _finding_json(finding: StoredFinding) -> dict[str, Any]:
    """A finding for machines; `clearbore diagnose --json` has all of it."""
    return {
        "id": finding.id,
        "raised_at": clock.utc_text_of_ms(finding.raised_ms),
        "status": finding.status,
        "summary": finding.summary,
        "action": finding.action,
    }


def _time(at_ms: float, zone: zoneinfo.ZoneInfo) -> str:
    """Local time of the plant, to the minute."""
    return clock.local_text(at_ms / 1000, zone)


def _size(count: float) -> str:
    """Bytes in the unit that fits."""
    for limit, divisor, unit in ((1e6, 1e3, "kB"), (1e9, 1e6, "MB")):
        if count < limit:
            return f"{count / divisor:.1f} {unit}"
    return f"{count / 1e9:.1f} GB"

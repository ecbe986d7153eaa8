"""What status says of findings, jobs, copies and the disk."""

import contextlib
import json
import pathlib
import shutil
import sqlite3
import zoneinfo
from collections.abc import Iterator, Mapping
from typing import Any

import pytest

from daemon import upkeep_words
from daemon.store.findings import StoredFinding, keep_findings
from daemon.store.job_runs import JobRun, Outcome, write_job_runs
from daemon.store.notes import note_disk, write_note
from daemon.store.opening import open_writer
from daemon.store.prepare import prepare_store
from daemon.upkeep_status import UpkeepStatus, read_upkeep

NOW_S = 1_795_435_200.0
"""2026-11-23T12:00Z."""
DAY_S = 86_400.0
GB = 1_000_000_000
ZONE = zoneinfo.ZoneInfo("Atlantic/Azores")


class Upkeep:
    """A database, the room beside it, and what is said of them."""

    def __init__(self, folder: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.db = folder / "rack.db"
        prepare_store(self.db)
        self.connection: sqlite3.Connection = open_writer(self.db)
        self.planned: Mapping[str, Any] = {}
        self._patch = monkeypatch
        self.free(20 * GB)

    def free(self, room: int) -> None:
        """So many bytes are free now."""
        usage = shutil.disk_usage(self.db.parent)._replace(free=room)
        self._patch.setattr(shutil, "disk_usage", lambda _path: usage)

    def note(self, name: str, body: Mapping[str, Any], *, age_s: float = 3600.0) -> None:
        """Something was noted a while ago."""
        write_note(self.connection, name, at_ms=round(1000 * (NOW_S - age_s)), body=body)

    def night(self, days_ago: int, room: int) -> None:
        """A nightly job noted so many bytes free."""
        note_disk(self.connection, now_s=NOW_S - days_ago * DAY_S, database_bytes=GB, free_bytes=room)

    def ran(self, name: str, outcome: Outcome, words: str = "done", *, age_s: float = 7200.0) -> None:
        """A job ran a while ago."""
        at_ms = round(1000 * (NOW_S - age_s))
        write_job_runs(
            self.connection, [JobRun(name=name, started_ms=at_ms, ended_ms=at_ms + 10, outcome=outcome, words=words)]
        )

    @property
    def status(self) -> UpkeepStatus:
        """What is read."""
        return read_upkeep(self.connection, self.db, self.planned, now_s=NOW_S)

    @property
    def text(self) -> str:
        """What people read."""
        return "\n".join(upkeep_words.lines_of(self.status, ZONE, "rack.toml", now_s=NOW_S))

    @property
    def alarms(self) -> list[str]:
        """What must be acted on."""
        return upkeep_words.alarms_of(self.status, now_s=NOW_S)

    @property
    def machine(self) -> dict[str, Any]:
        """What programs read."""
        decoded = json.loads(json.dumps(upkeep_words.json_of(self.status, now_s=NOW_S), allow_nan=False))
        assert isinstance(decoded, dict)
        return decoded


@pytest.fixture
def upkeep(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Upkeep]:
    """An empty database with 20 GB beside it."""
    found = Upkeep(tmp_path, monkeypatch)
    with contextlib.closing(found.connection):
        yield found


def finding(name: str) -> StoredFinding:
    """A finding of yesterday."""
    return StoredFinding(
        id=f"2026-11-22T14-{name}",
        raised_ms=round(1000 * (NOW_S - DAY_S)),
        over_ms=None,
        ended=None,
        status="Maintenance required",
        summary=f"{name} gets 9 % less (95 %).",
        action="Rinse or change the media.",
        body={},
    )


def test_at_first_everything_says_what_to_do(upkeep: Upkeep) -> None:
    """Nothing has been judged, copied or looked through: no alarm, but the commands that do it."""
    assert upkeep.alarms == []
    for words in ("`clearbore diagnose`", "`clearbore backup rack.toml`", "`clearbore backup --check rack.toml`"):
        assert words in upkeep.text
    assert "a running `clearbore collect` has them done" in upkeep.text
    assert (upkeep.machine["backup"], upkeep.machine["integrity"], upkeep.machine["assessed"]) == (None, None, None)


def test_a_finding_is_an_alarm(upkeep: Upkeep) -> None:
    """Its sentence and what to do, and up to when readings were judged, by the plant's clock."""
    keep_findings(upkeep.connection, [finding("carbon")], assessed_ms=0)
    upkeep.note("assessment", {"until_s": int(NOW_S), "open": 1})

    assert upkeep.alarms == ["carbon gets 9 % less (95 %). Rinse or change the media."]
    assert "judged with the readings up to 2026-11-23 11:00" in upkeep.text
    assert "Maintenance required, since 2026-11-22 11:00" in upkeep.text
    assert upkeep.machine["findings"][0]["raised_at"] == "2026-11-22T12:00:00Z"
    assert upkeep.machine["assessed"] == {"at": "2026-11-23T11:00:00Z", "until": "2026-11-23T12:00:00Z"}


def test_nothing_wrong_is_said(upkeep: Upkeep) -> None:
    """With the time of the last judgement, so that an old one is seen."""
    upkeep.note("assessment", {"until_s": int(NOW_S), "open": 0})

    assert "judged with the readings up to 2026-11-23 11:00: nothing is wrong" in upkeep.text


def test_jobs_as_a_table(upkeep: Upkeep) -> None:
    """Last run, result and next, those that never ran too; why one found nothing to do is said below."""
    upkeep.ran("nightly", Outcome.GOOD, "copied")
    upkeep.ran("assess", Outcome.IDLE, "not commissioned")
    upkeep.planned = {
        "nightly": {"next_ms": 1000 * (NOW_S + DAY_S), "running_since_ms": None},
        "assess": {"next_ms": 1000 * NOW_S, "running_since_ms": 1000 * (NOW_S - 30)},
        "weekly": {"next_ms": 1000 * (NOW_S - 5), "running_since_ms": None},
    }
    rows = [line for line in upkeep.text.splitlines() if line.startswith(("nightly", "judgement", "weekly"))]

    assert [row.split("  ")[0] for row in rows] == ["nightly upkeep and copy", "judgement", "weekly report"]
    assert "2 h ago" in rows[0]
    assert rows[0].split()[-3:] == ["good", "2026-11-24", "11:00"]
    assert "nothing to do yet" in rows[1]
    assert "running for 30 s" in rows[1]
    assert rows[2].split()[2:] == ["never", "-", "due,", "one", "at", "a", "time"]
    assert "  judgement: not commissioned" in upkeep.text
    assert upkeep.alarms == []
    assert upkeep.machine["jobs"][0]["next_at"] == "2026-11-24T12:00:00Z"
    assert upkeep.machine["jobs"][1]["result"] == "idle"


def test_a_run_as_the_one_before_is_known_by_its_time(upkeep: Upkeep) -> None:
    """What the collector says of it stands before what is kept, unless that is newer."""
    upkeep.ran("assess", Outcome.GOOD, "nothing is wrong")
    kept = upkeep.machine["jobs"][0]["last_started_at"]
    upkeep.planned = {"assess": {"again_ms": [1000 * (NOW_S - 60), 1000 * (NOW_S - 50)]}}
    again = upkeep.machine["jobs"][0]
    upkeep.planned = {"assess": {"again_ms": [0, 10]}}

    assert (again["last_started_at"], again["result"]) == ("2026-11-23T11:59:00Z", "good")
    assert upkeep.machine["jobs"][0]["last_started_at"] == kept


def test_without_a_collector_jobs_wait_for_one(upkeep: Upkeep) -> None:
    """What ran is shown, what is to come is not made up."""
    upkeep.ran("nightly", Outcome.GOOD)

    assert "when the collector runs" in upkeep.text
    assert upkeep.machine["jobs"][0]["next_at"] is None


def test_a_job_that_fails_again_and_again_is_an_alarm(upkeep: Upkeep) -> None:
    """Twice is told, three times is to be acted on, with the reason; one good run ends it."""
    for _ in range(2):
        upkeep.ran("nightly", Outcome.FAILED, "backups: Is the stick plugged in?")
    assert (upkeep.alarms, "FAILED, 2 times" in upkeep.text) == ([], True)
    upkeep.ran("nightly", Outcome.LATE, "not done within 60 minutes, and ended")
    assert upkeep.alarms == [
        "nightly upkeep and copy failed 3 times in a row, last 2 h ago: not done within 60 minutes, and ended"
    ]
    upkeep.ran("nightly", Outcome.GOOD)
    assert upkeep.alarms == []


def test_how_long_the_disk_lasts(upkeep: Upkeep) -> None:
    """40 GB ten days ago, 20 GB now: 2 GB a day, so ten days, which is too few."""
    upkeep.night(10, 40 * GB)
    upkeep.night(0, 20 * GB)

    assert upkeep.machine["disk"] == {
        "free_bytes": 20 * GB, "growth_bytes_per_day": 2 * GB, "growth_over_days": 10.0, "full_in_days": 10.0,
        "scarce": True,
    }  # fmt: skip
    assert "20.0 GB free, full in 10 days at the pace of the last 10 days" in upkeep.text
    assert "the disk is nearly full (full in 10 days)" in upkeep.alarms[0]


@pytest.mark.parametrize(("then", "words"), [(20 * GB, "more than ten years"), (19 * GB, "more than ten years")])
def test_a_disk_that_does_not_fill(upkeep: Upkeep, then: int, words: str) -> None:
    """No change, or more room than before: no date is made up."""
    upkeep.night(10, then)

    assert words in upkeep.text
    assert (upkeep.machine["disk"]["full_in_days"], upkeep.alarms) == (None, [])


def test_a_pace_is_not_told_from_one_night(upkeep: Upkeep) -> None:
    """Neither is one of months ago."""
    upkeep.night(1, 40 * GB)
    upkeep.night(60, 400 * GB)

    assert "known after two nights" in upkeep.text
    assert upkeep.machine["disk"]["growth_bytes_per_day"] is None


def test_too_little_room_is_an_alarm_whatever_the_pace(upkeep: Upkeep) -> None:
    """A full disk can be neither written nor tidied up."""
    upkeep.free(150_000_000)

    assert "less than 200 MB free" in upkeep.alarms[0]
    assert "150.0 MB free" in upkeep.text


def test_the_last_copy_and_the_last_check(upkeep: Upkeep) -> None:
    """Their age, where the copy is, and what was found."""
    upkeep.note("backup", {"path": "/stick/rack_x.db", "bytes": 2_500_000, "rows": 7}, age_s=6 * 3600)
    upkeep.note("integrity", {"good": True, "words": "ok"}, age_s=6 * 3600)

    assert "last copy: /stick/rack_x.db (2.5 MB), 6 h ago" in upkeep.text
    assert "looked through for damage 6 h ago: sound" in upkeep.text
    assert (upkeep.machine["backup"]["age_s"], upkeep.machine["integrity"]["good"]) == (21_600.0, True)


def test_damage_is_an_alarm(upkeep: Upkeep) -> None:
    """It says where the way back is described."""
    upkeep.note("integrity", {"good": False, "words": "row 7 missing from index"})

    assert upkeep.alarms == [
        "the database is damaged: stop the collector and go back to the newest copy (README: Copies)"
    ]
    assert "DAMAGED: row 7 missing from index" in upkeep.text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.4, "0 s"), (119, "119 s"), (121, "2 min"), (7_300, "2 h"), (200_000, "2 days"), (-5, "0 s")],
)
def test_spans(seconds: float, text: str) -> None:
    """In the unit that fits; a clock that was put back gives no negative ages."""
    assert upkeep_words.duration(seconds) == text

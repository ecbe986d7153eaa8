"""The jobs themselves, as the processes that the collector starts, on a sample log."""

import contextlib
import os
import pathlib
import sqlite3
import subprocess
import sys
from typing import Any

import pytest

from config.load import load_plant
from config.settings import PlantFile
from daemon import assessing
from daemon.jobs.jobs import Jobs
from daemon.jobs.names import NIGHTLY
from daemon.jobs.nightly import keep_in_order
from daemon.jobs.weekly import week_before, write_report
from daemon.jobs.work import FIRST_TO_GO, NICE, WORK
from daemon.loading.session import Order, load_all
from daemon.plan import JobsPlan
from daemon.store.job_runs import Outcome
from daemon.store.notes import read_disk, read_notes
from daemon.store.opening import open_reader, open_writer
from daemon.store.prepare import prepare_store
from daemon.store.writer import MinuteRow, meter_ids, write_minutes
from daemon.upkeep import second_writer
from tests.support.waiting import wait_until

SAMPLES = pathlib.Path(__file__).parents[3] / "sample_logs"
NOW_S = 1_791_270_000.0
"""2026-10-06T07:00Z, a Tuesday, hours after the sample's last reading."""


@pytest.fixture(scope="module")
def rack(tmp_path_factory: pytest.TempPathFactory) -> pathlib.Path:
    """The plant file of a rack whose pump fouls, with its log loaded and its first week commissioned."""
    plant = tmp_path_factory.mktemp("rack") / "rack.toml"
    plant.write_text((SAMPLES / "lagoon_rack.toml").read_text())
    plant_file = load_plant(plant)
    order = Order(
        database=plant.with_suffix(".db"),
        logs=(SAMPLES / "impeller_fouling.csv.gz",),
        events=SAMPLES / "impeller_fouling_events.csv",
        again=False,
    )
    load_all(plant_file, order, now_s=NOW_S, tell=lambda _done: None)
    healthy_s = 1_789_344_000.0  # 2026-09-14T00:00Z
    assessing.commission_stored(plant_file, order.database, from_s=None, to_s=healthy_s, made_s=NOW_S)
    return plant


def work(name: str, plant: pathlib.Path) -> subprocess.CompletedProcess[str]:
    """Run a job as the collector does."""
    command = [sys.executable, "-m", "daemon.jobs.work", name, str(plant), str(plant.with_suffix(".db"))]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def row(minute: int, meter: int) -> MinuteRow:
    """A minute with one reading."""
    return MinuteRow(minute, meter, 0, 450, 0, 0, 0, None, None, 1, 0)


def held(plant: pathlib.Path, sql: str) -> list[tuple[Any, ...]]:
    """What the database holds."""
    with contextlib.closing(open_reader(plant.with_suffix(".db"))) as connection:
        return connection.execute(sql).fetchall()


def test_assess_leaves_what_it_found(rack: pathlib.Path) -> None:
    """The fouled pump stands in the database for those who cannot compute; a second time changes nothing."""
    done = work("assess", rack)
    findings = "SELECT id, raised_ms, over_ms, ended, status, summary FROM finding"
    first = held(rack, findings)

    assert (done.returncode, done.stdout) == (0, "")
    assert [row[2:5] for row in first] == [(None, None, "Maintenance required")]
    assert done.stderr.splitlines()[-1] == first[0][5]
    assert "the supply has changed" in first[0][5]
    assert work("assess", rack).returncode == 0
    assert held(rack, findings) == first
    assert held(rack, "SELECT count(*) FROM stale_day") == [(0,)]
    with contextlib.closing(open_reader(rack.with_suffix(".db"))) as connection:
        note = read_notes(connection)["assessment"].body
    assert (note["open"], note["pump"]["status"], len(note["meters"])) == (1, "Maintenance required", 5)


def test_a_plant_that_was_not_commissioned_is_left_for_later(tmp_path: pathlib.Path) -> None:
    """Exit code 66, with what to do in one line."""
    plant = tmp_path / "rack.toml"
    plant.write_text((SAMPLES / "lagoon_rack.toml").read_text())
    prepare_store(plant.with_suffix(".db"))
    done = work("assess", plant)

    assert done.returncode == 66
    assert "clearbore commission" in done.stderr.splitlines()[-1]


def test_a_plant_file_that_was_spoilt_meanwhile(tmp_path: pathlib.Path) -> None:
    """Its faults are the last line, for `clearbore status`; exit code 78."""
    plant = tmp_path / "rack.toml"
    plant.write_text("[plant]\nname = 7\n")
    done = work("nightly", plant)

    assert done.returncode == 78
    assert "rack.toml:2: plant: name" in done.stderr.splitlines()[-1]


def test_the_night_copies_and_notes(rack: pathlib.Path) -> None:
    """A checked copy, and the room on the disk for the day."""
    words = keep_in_order(load_plant(rack), rack.with_suffix(".db"), now_s=NOW_S)
    with contextlib.closing(open_reader(rack.with_suffix(".db"))) as connection:
        (day,) = read_disk(connection, from_day=0)
        notes = read_notes(connection)

    assert words.startswith(f"copied to {notes['backup'].body['path']} (")
    assert notes["integrity"].body["good"] is True
    assert (day.day, day.database_bytes > 1_000_000, day.free_bytes > 0) == (int(NOW_S // 86_400), True, True)


def test_the_collectors_jobs_are_these(rack: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Started as the collector starts them, from the names in its plan to the words that it keeps."""
    monkeypatch.setattr("daemon.jobs.jobs.START_AFTER_S", 0.0)
    plan = JobsPlan(plant_file=str(rack), names=("nightly",), timezone="UTC", weekly_on="mon", times={})
    jobs = Jobs(
        plan, db=str(rack.with_suffix(".db")), histories={}, first_s=0.0, now_s=NOW_S, steady_s=0.0,
    )  # fmt: skip
    wait_until(lambda: jobs.round(now_s=NOW_S, steady_s=1.0), timeout_s=30)
    (run,) = jobs.take_ended()

    assert (run.name, run.outcome) == ("nightly", Outcome.GOOD)
    assert "checked and sound" in run.words


def test_a_missing_stick_keeps_nothing_else_from_being_done(tmp_path: pathlib.Path) -> None:
    """The copy fails and is told; hours, room and a look for damage are done all the same."""
    plant = tmp_path / "rack.toml"
    plant.write_text((SAMPLES / "lagoon_rack.toml").read_text() + '\n[store]\nbackup_folder = "/nowhere/stick"\n')
    prepare_store(plant.with_suffix(".db"))
    with contextlib.closing(open_writer(plant.with_suffix(".db"))) as connection:
        write_minutes(connection, [row(29_844_000, meter_ids(connection, ["M1"])["M1"])])
    done = work("nightly", plant)

    assert done.returncode == 74
    assert "Is the stick plugged in?" in done.stderr
    assert held(plant, "SELECT count(*) FROM stale_day") == [(0,)]
    assert len(held(plant, "SELECT day FROM disk_space")) == 1
    assert held(plant, "SELECT name, body ->> 'good' FROM note") == [("integrity", 1)]


def test_the_week_that_is_over_is_reported(rack: pathlib.Path) -> None:
    """On a Tuesday, the week to the Sunday before; the page lies beside the plant file."""
    words = write_report(load_plant(rack), rack.with_suffix(".db"), now_s=NOW_S)

    assert words == "report of 2026-W40 written"
    assert "<html" in rack.with_name("rack_report_2026-W40.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("now_s", "timezone", "week"),
    [
        (1_795_999_500, "UTC", "2026-W48"),  # Monday 2026-11-30T00:45Z
        (1_795_999_500, "Atlantic/Azores", "2026-W47"),  # still Sunday there, in week 48
        (1_798_502_400, "UTC", "2026-W52"),  # 2026-12-29, in week 53: ISO 8601's long year
        (1_799_107_200, "UTC", "2026-W53"),  # 2027-01-05
    ],
)
def test_weeks_are_those_of_iso_8601(now_s: float, timezone: str, week: str) -> None:
    """By the plant's own clock; a year of 53 weeks has its last."""
    assert week_before(now_s, timezone) == week


def test_every_job_gives_way() -> None:
    """Low priority before anything heavy is imported, and the first that the kernel ends where memory runs out."""
    script = (
        "import os, sys, daemon.jobs.work as work; heavy = [name for name in ('pydantic', 'numpy') if name in sys.modules];"
        "work._give_way(); print(os.nice(0), open('/proc/self/oom_score_adj').read().strip(), heavy)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)

    assert done.stdout.split() == [str(min(os.nice(0) + NICE, 19)), FIRST_TO_GO, "[]"]


def test_a_job_does_not_outlive_a_collector_that_was_killed(tmp_path: pathlib.Path) -> None:
    """A signal 9 gives the collector no time to end it: the kernel does."""
    job = f"import time, daemon.jobs.work as work; work._end_with_the_collector(); open({str(tmp_path / 'up')!r}, 'w'); time.sleep(60)"
    collector = (
        "import sys, time; from daemon.jobs.child import Child;"
        f"print(Child([sys.executable, '-c', {job!r}], limit_s=60, steady_s=0).pid, flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", collector], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        pid = int(process.stdout.readline())
        wait_until((tmp_path / "up").exists)
        process.kill()
    state = pathlib.Path(f"/proc/{pid}/stat")
    wait_until(lambda: not state.exists() or state.read_text().split()[2] == "Z")


def test_a_fault_of_the_program_is_told_by_its_last_line(rack: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not swallowed: the process ends with a traceback, whose last line the collector keeps."""

    def broken(_plant: PlantFile, _db: pathlib.Path) -> str:
        raise ZeroDivisionError

    monkeypatch.setitem(WORK, NIGHTLY, broken)
    monkeypatch.setattr(sys, "argv", ["work", NIGHTLY, str(rack), "x.db"])
    monkeypatch.setattr("daemon.jobs.work._give_way", lambda: None)
    monkeypatch.setattr("daemon.jobs.work._end_with_the_collector", lambda: None)
    with pytest.raises(ZeroDivisionError):
        sys.modules["daemon.jobs.work"].main()


def test_whoever_writes_beside_the_collector_never_checkpoints(tmp_path: pathlib.Path) -> None:
    """The log of writes only grows by it, far beyond where SQLite would bring it home; the collector's commit does."""
    db = tmp_path / "rack.db"
    prepare_store(db)
    with contextlib.closing(open_writer(db)) as collector:
        collector.execute("PRAGMA wal_autocheckpoint = 1")
        before = db.read_bytes()
        with second_writer(db) as connection:
            number = meter_ids(connection, ["M1"])["M1"]
            write_minutes(connection, [row(minute, number) for minute in range(3000)])
        assert db.read_bytes() == before
        collector.execute("INSERT INTO meter (name) VALUES ('M2')")
        assert db.read_bytes() != before
    with contextlib.closing(sqlite3.connect(db)) as connection:
        assert connection.execute("SELECT count(*) FROM minute").fetchone() == (3000,)

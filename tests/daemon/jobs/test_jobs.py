"""The jobs of a collector, with a program that does as it is told and clocks that are made up."""

import logging
import pathlib
import sys
from collections.abc import Mapping

import pytest

from daemon.jobs.calendar import times_around
from daemon.jobs.jobs import START_AFTER_S, TOLD_AFTER_S, Jobs
from daemon.plan import JobsPlan
from daemon.store.job_runs import JobHistory, JobRun, Outcome
from tests.support.waiting import wait_until

NOON_S = 1_795_435_200.0
DAY_S = 86_400.0
PROGRAM = """
import pathlib, sys, time
name, plant, db = sys.argv[1:]
told = pathlib.Path(plant).with_name(name).read_text().split(None, 1)
with open(db, "a") as log: log.write(name + " ")
sys.stderr.write(told[1])
time.sleep(60 if told[1] == "hang" else 0)
sys.exit(int(told[0]))
"""


class Rack:
    """Jobs whose answers are files, and the time."""

    def __init__(self, folder: pathlib.Path, histories: Mapping[str, JobHistory] | None = None) -> None:
        self._folder = folder
        self.now_s, self.steady_s = NOON_S, 5000.0
        plan = JobsPlan(
            plant_file=str(folder / "rack.toml"),
            names=("nightly", "assess", "weekly"),
            timezone="UTC",
            weekly_on="mon",
            times=times_around(NOON_S, timezone="UTC", weekly_on="mon"),
        )
        program = (sys.executable, "-I", "-S", "-c", PROGRAM)
        self.jobs = Jobs(
            plan, db=str(folder / "log"), histories=histories or {}, first_s=NOON_S - 9 * DAY_S, now_s=self.now_s,
            steady_s=self.steady_s, program=program,
        )  # fmt: skip
        for name in plan.names:
            self.answer(name, 0, f"{name} done")

    def answer(self, name: str, code: int, words: str) -> None:
        """What a job is to end with from now on."""
        (self._folder / name).write_text(f"{code} {words}")

    def pass_s(self, seconds: float) -> None:
        """Time passes."""
        self.now_s += seconds
        self.steady_s += seconds

    def round(self) -> bool:
        """One round of the collector."""
        return self.jobs.round(now_s=self.now_s, steady_s=self.steady_s)

    def runs(self, count: int) -> list[tuple[str, Outcome, str]]:
        """Let so many jobs end; what they did."""
        ended: list[JobRun] = []

        def enough() -> bool:
            self.round()
            ended.extend(self.jobs.take_ended())
            return len(ended) >= count

        wait_until(enough)
        return [(run.name, run.outcome, run.words) for run in ended]

    @property
    def started(self) -> list[str]:
        """The jobs that were started, in order."""
        log = self._folder / "log"
        return log.read_text().split() if log.exists() else []


@pytest.fixture
def rack(tmp_path: pathlib.Path) -> Rack:
    """A rack whose jobs were all missed, past the first minute."""
    rack = Rack(tmp_path)
    rack.pass_s(START_AFTER_S)
    return rack


def test_missed_jobs_run_one_after_the_other(rack: Rack) -> None:
    """The copy first, each once, with what each said at its end."""
    assert rack.runs(3) == [
        ("nightly", Outcome.GOOD, "nightly done"),
        ("assess", Outcome.GOOD, "assess done"),
        ("weekly", Outcome.GOOD, "weekly done"),
    ]
    rack.round()
    assert rack.started == ["nightly", "assess", "weekly"]


def test_nothing_starts_in_the_first_minute(tmp_path: pathlib.Path) -> None:
    """The sources come first."""
    rack = Rack(tmp_path)
    rack.pass_s(START_AFTER_S - 1)
    rack.round()

    assert rack.jobs.body(now_s=rack.now_s, steady_s=rack.steady_s)["nightly"]["running_since_ms"] is None
    assert rack.started == []


def test_a_failure_is_told_once_and_tried_again(rack: Rack, caplog: pytest.LogCaptureFixture) -> None:
    """One line when it begins to fail and one when it works again, however many tries lie between."""
    caplog.set_level(logging.INFO)
    rack.answer("nightly", 74, "rack.db: the disk is full; free some space")
    rack.runs(3)
    for hour in range(3):
        rack.pass_s(3600)
        rack.answer("assess", 0, f"good for {hour} h")
        found = rack.runs(2)
        assert ("nightly", Outcome.FAILED, "rack.db: the disk is full; free some space") in found
    assert list(rack.jobs.failing) == ["nightly"]
    rack.answer("nightly", 0, "copied")
    rack.answer("assess", 0, "good all day")
    rack.pass_s(3600)
    rack.runs(2)

    assert [record.getMessage() for record in caplog.records] == [
        'job_failed job=nightly why="rack.db: the disk is full; free some space"',
        "job_recovered job=nightly",
    ]
    assert list(rack.jobs.failing) == []


def test_nothing_to_do_is_no_failure(rack: Rack, caplog: pytest.LogCaptureFixture) -> None:
    """A plant that was not commissioned yet: said, not told to the log, and looked at again ten minutes later."""
    caplog.set_level(logging.INFO)
    rack.answer("assess", 66, "not commissioned")

    assert ("assess", Outcome.IDLE, "not commissioned") in rack.runs(3)
    assert rack.jobs.failing == ()
    assert caplog.records == []
    next_ms = rack.jobs.body(now_s=rack.now_s, steady_s=rack.steady_s)["assess"]["next_ms"]
    assert next_ms == 1000 * (NOON_S + 5 * 60)


def test_a_job_over_its_time_is_ended_and_tried_again(rack: Rack) -> None:
    """It is late, which is a failure; the others come before its next try."""
    rack.answer("nightly", 0, "hang")
    rack.round()
    rack.steady_s += 3599.0
    assert not rack.round()
    rack.steady_s += 2.0

    assert rack.runs(3) == [
        ("nightly", Outcome.LATE, "not done within 60 minutes, and ended"),
        ("assess", Outcome.GOOD, "assess done"),
        ("weekly", Outcome.GOOD, "weekly done"),
    ]
    assert list(rack.jobs.failing) == ["nightly"]


def test_the_state_for_status(rack: Rack) -> None:
    """When each is next to run, and which runs since when."""
    rack.round()
    body = rack.jobs.body(now_s=rack.now_s, steady_s=rack.steady_s)

    assert body["nightly"]["running_since_ms"] == 1000 * rack.now_s
    assert body["assess"] == {"next_ms": 1000 * rack.now_s, "running_since_ms": None, "again_ms": None}
    rack.jobs.stop()


def test_an_assessment_that_has_only_begun_is_not_told(rack: Rack) -> None:
    """It changes nothing of what was said before it began, until it is over or has run for long."""
    rack.runs(3)
    before = rack.jobs.body(now_s=rack.now_s, steady_s=rack.steady_s)
    rack.pass_s(600)
    rack.answer("assess", 0, "hang")
    rack.round()
    rack.pass_s(TOLD_AFTER_S - 1)
    begun = rack.jobs.body(now_s=rack.now_s, steady_s=rack.steady_s)
    rack.pass_s(2)
    long = rack.jobs.body(now_s=rack.now_s, steady_s=rack.steady_s)
    wait_until(lambda: rack.started[3:] == ["assess"])
    rack.jobs.stop()

    assert begun == before
    assert long["assess"]["running_since_ms"] == 1000 * (rack.now_s - TOLD_AFTER_S - 1)


def test_an_assessment_as_the_one_before_is_told_by_its_time(rack: Rack) -> None:
    """Its run is no row of its own until the jobs stop; one that goes otherwise is, at once."""
    rack.runs(3)
    before = rack.jobs.body(now_s=rack.now_s, steady_s=rack.steady_s)["assess"]["again_ms"]
    rack.pass_s(600)
    wait_until(rack.round)
    again_s = rack.now_s
    assert rack.jobs.take_ended() == []
    assert before is None
    assert rack.jobs.body(now_s=again_s, steady_s=rack.steady_s)["assess"]["again_ms"] == (
        1000 * again_s,
        1000 * again_s,
    )
    rack.jobs.stop()
    (run,) = rack.jobs.take_ended()
    assert (run.name, run.started_ms) == ("assess", 1000 * again_s)
    rack.pass_s(600)
    rack.answer("assess", 0, "media is loading up")
    assert rack.runs(1) == [("assess", Outcome.GOOD, "media is loading up")]
    assert rack.jobs.body(now_s=rack.now_s, steady_s=rack.steady_s)["assess"]["again_ms"] is None


def test_a_program_that_is_gone(tmp_path: pathlib.Path) -> None:
    """An update that took the interpreter away is a failed job, not the collector's end."""
    rack = Rack(tmp_path)
    rack.jobs._command = ("/nonexistent/python",)
    rack.pass_s(START_AFTER_S)
    rack.round()

    assert [(run.outcome, run.words) for run in rack.jobs.take_ended()] == [
        (Outcome.FAILED, "cannot be started (No such file or directory)")
    ]


def history(name: str, outcome: Outcome, *, done_s: float | None, failures: int) -> JobHistory:
    """A job's past."""
    run = JobRun(name=name, started_ms=round(NOON_S * 1000), ended_ms=round(NOON_S * 1000), outcome=outcome, words="")
    return JobHistory(last=run, done_ms=None if done_s is None else round(1000 * done_s), failures=failures)


@pytest.mark.parametrize(
    ("outcome", "told"), [(Outcome.GOOD, ["job_failed"]), (Outcome.FAILED, [])], ids=["good before", "failed before"]
)
def test_a_restart_forgets_nothing(
    tmp_path: pathlib.Path, caplog: pytest.LogCaptureFixture, outcome: Outcome, told: list[str]
) -> None:
    """What was done is not done again; a failure that was told before the restart is not told anew."""
    failures = 1 if outcome.bad else 0
    past = {name: history(name, Outcome.GOOD, done_s=NOON_S, failures=0) for name in ("assess", "weekly")}
    past["nightly"] = history("nightly", outcome, done_s=NOON_S - 3 * DAY_S, failures=failures)
    rack = Rack(tmp_path, past)
    rack.answer("nightly", 1, "broken")
    rack.pass_s(START_AFTER_S)

    assert rack.runs(1) == [("nightly", Outcome.FAILED, "broken")]
    assert rack.started == ["nightly"]
    assert [record.getMessage().split()[0] for record in caplog.records] == told


def test_stop_ends_the_job_that_runs(rack: Rack) -> None:
    """And counts it as not done."""
    rack.round()
    rack.jobs.stop()

    assert rack.jobs.take_ended() == []
    assert rack.runs(1)[0][0] == "nightly"

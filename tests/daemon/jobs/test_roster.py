"""Which job is due, with clocks that are made up: what is missed, what jumps, what fails."""

from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from daemon.jobs.calendar import times_around
from daemon.jobs.names import ASSESS, NIGHTLY, WEEKLY
from daemon.jobs.roster import FIRST_RETRY_S, LONGEST_RETRY_S, Roster, Standing
from daemon.jobs.timetable import Timetable

HOUR_S = 3600.0
DAY_S = 86_400.0
NOON_S = 1_795_392_000.0
"""Monday 2026-11-23 00:00 UTC, and twelve hours."""
NOON = NOON_S + 12 * HOUR_S
NAMES = (NIGHTLY, ASSESS, WEEKLY)
FEW_H = 4 / 60
"""Long enough for three jobs, and over before the next judgement."""


@dataclass(slots=True)
class Clocks:
    """A wall clock that can be put and a monotonic one that cannot."""

    now_s: float = NOON
    steady_s: float = 1000.0

    def run(self, seconds: float) -> None:
        """Time passes."""
        self.now_s += seconds
        self.steady_s += seconds

    def step(self, seconds: float) -> None:
        """The wall clock is put."""
        self.now_s += seconds


def make(clocks: Clocks, known: dict[str, Standing] | None = None, *, since_s: float | None = None) -> Roster:
    """A roster of all jobs."""
    times = times_around(NOON, timezone="UTC", weekly_on="mon")
    timetable = Timetable(names=NAMES, times=times, timezone="UTC", weekly_on="mon")
    return Roster(timetable, known or {}, since_s=clocks.now_s if since_s is None else since_s, now_s=clocks.now_s)


def done_until_now(clocks: Clocks) -> dict[str, Standing]:
    """All jobs done just now."""
    return {name: Standing(done_s=clocks.now_s) for name in NAMES}


def runs(roster: Roster, clocks: Clocks, hours: float, *, every_s: float = 120.0) -> Iterator[str]:
    """Let time pass; every job that is due is done at once."""
    for _ in range(round(hours * HOUR_S / every_s)):
        clocks.run(every_s)
        name = roster.due(now_s=clocks.now_s, steady_s=clocks.steady_s)
        if name is not None:
            roster.done(name, started_s=clocks.now_s)
            yield name


def test_a_week_as_planned() -> None:
    """A judgement every ten minutes, 7 nights, one report."""
    clocks = Clocks()
    found = list(runs(make(clocks, done_until_now(clocks)), clocks, 7 * 24))

    assert {name: found.count(name) for name in NAMES} == {ASSESS: 7 * 144, NIGHTLY: 7, WEEKLY: 1}


def test_what_was_missed_while_off_is_done_once() -> None:
    """Nine days without power: each job once, the copy first, and then as planned."""
    clocks = Clocks()
    roster = make(clocks, {name: Standing(done_s=NOON - 9 * DAY_S) for name in NAMES})

    assert list(runs(roster, clocks, FEW_H, every_s=60.0)) == [NIGHTLY, ASSESS, WEEKLY]
    assert roster.next_s(NIGHTLY, now_s=clocks.now_s, steady_s=clocks.steady_s) == NOON_S + DAY_S + 4 * HOUR_S + 600


def test_nothing_missed_is_not_done_again() -> None:
    """A restart between two times of the timetable starts nothing."""
    clocks = Clocks()
    roster = make(clocks, done_until_now(clocks))

    assert roster.due(now_s=clocks.now_s + 60, steady_s=clocks.steady_s + 60) is None


def test_a_job_that_never_ran_counts_from_the_first_reading() -> None:
    """So a rack that is on by day only has its copy too; with no reading at all, from the start."""
    clocks = Clocks()

    assert list(runs(make(clocks, since_s=NOON - 30 * DAY_S), Clocks(), FEW_H, every_s=60.0)) == [
        NIGHTLY,
        ASSESS,
        WEEKLY,
    ]
    assert list(runs(make(clocks), Clocks(), FEW_H, every_s=60.0)) == []


def test_a_clock_put_back_stops_nothing() -> None:
    """Two hours back: what comes in is judged within ten minutes, not two hours later."""
    clocks = Clocks()
    roster = make(clocks, done_until_now(clocks))
    list(runs(roster, clocks, 5))
    clocks.step(-2 * HOUR_S)

    assert list(runs(roster, clocks, 1 / 6)) == [ASSESS]
    assert list(runs(roster, clocks, 4)) == [ASSESS] * 24


@pytest.mark.parametrize("days", [0.0417, 10, 60, 4000])
def test_a_clock_put_forward_runs_everything_once_at_most(days: float) -> None:
    """An hour, ten days, two months, eleven years: no storm of runs, and nothing of the kind worked out."""
    clocks = Clocks()
    roster = make(clocks, done_until_now(clocks))
    clocks.step(days * DAY_S)
    found = list(runs(roster, clocks, FEW_H, every_s=60.0))

    assert found == ([ASSESS] if days < 1 else [NIGHTLY, ASSESS, WEEKLY])


def test_a_clock_that_ran_ahead_and_came_back() -> None:
    """What was done in a year that has yet to come holds nothing up; neither does it after a restart."""
    clocks = Clocks()
    roster = make(clocks, done_until_now(clocks))
    clocks.step(3000 * DAY_S)
    list(runs(roster, clocks, 1))
    clocks.step(-3000 * DAY_S)

    assert list(runs(roster, clocks, 24)).count(NIGHTLY) == 1
    again = make(clocks, {NIGHTLY: Standing(done_s=NOON + 3000 * DAY_S)})
    assert list(runs(again, clocks, 24)).count(NIGHTLY) == 1


def test_a_board_without_a_clock_starts_in_the_past() -> None:
    """Three days behind at first, then set: what fell into the gap is done once, nothing before its time."""
    clocks = Clocks(now_s=NOON - 3 * DAY_S)
    roster = make(clocks, {name: Standing(done_s=NOON - 30 * HOUR_S) for name in NAMES})
    assert list(runs(roster, clocks, FEW_H, every_s=60.0)) == []
    clocks.step(3 * DAY_S - FEW_H * HOUR_S)

    assert list(runs(roster, clocks, FEW_H, every_s=60.0)) == [NIGHTLY, ASSESS, WEEKLY]


def test_a_failure_is_tried_again_later_each_time() -> None:
    """After 2, 4, 8 ... minutes, an hour at most, by the monotonic clock; the others are not held up."""
    clocks = Clocks()
    roster = make(clocks, {ASSESS: Standing(done_s=NOON), WEEKLY: Standing(done_s=NOON)}, since_s=NOON - 2 * DAY_S)
    waits = []
    for _ in range(8):
        assert roster.due(now_s=clocks.now_s, steady_s=clocks.steady_s) == NIGHTLY
        roster.failed(NIGHTLY, steady_s=clocks.steady_s)
        waits.append(roster.next_s(NIGHTLY, now_s=clocks.now_s, steady_s=clocks.steady_s) - clocks.now_s)
        clocks.step(-500.0)
        assert roster.due(now_s=clocks.now_s, steady_s=clocks.steady_s + waits[-1] - 1) is None
        clocks.steady_s += waits[-1]
    roster.failed(NIGHTLY, steady_s=clocks.steady_s)
    clocks.now_s = NOON + HOUR_S

    assert waits == [FIRST_RETRY_S, 240, 480, 960, 1920, LONGEST_RETRY_S, LONGEST_RETRY_S, LONGEST_RETRY_S]
    assert roster.due(now_s=clocks.now_s, steady_s=clocks.steady_s) == ASSESS


def test_success_after_failures_goes_back_to_the_timetable() -> None:
    """The next run is that of the next night."""
    clocks = Clocks()
    roster = make(clocks, since_s=NOON - 2 * DAY_S)
    roster.failed(NIGHTLY, steady_s=clocks.steady_s)
    roster.done(NIGHTLY, started_s=clocks.now_s)

    assert roster.failures(NIGHTLY) == 0
    assert roster.next_s(NIGHTLY, now_s=clocks.now_s, steady_s=clocks.steady_s) == NOON_S + DAY_S + 4 * HOUR_S + 600


def test_a_failure_is_remembered_over_a_restart() -> None:
    """It is tried at once, and the wait after the next failure is no shorter than before."""
    clocks = Clocks()
    roster = make(clocks, {NIGHTLY: Standing(done_s=NOON, failures=3, retry_steady_s=clocks.steady_s)})

    assert roster.due(now_s=clocks.now_s, steady_s=clocks.steady_s) == NIGHTLY
    roster.failed(NIGHTLY, steady_s=clocks.steady_s)
    assert roster.next_s(NIGHTLY, now_s=clocks.now_s, steady_s=clocks.steady_s) == clocks.now_s + 8 * FIRST_RETRY_S

"""When jobs are due, over clock changes and by names of days; what is looked up is what the library works out."""

import datetime as dt
import itertools
import subprocess
import sys
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.jobs.calendar import DAY_S, DAYS_AHEAD, next_time, times_around, trigger_of
from daemon.jobs.names import ASSESS, NIGHTLY, WEEKLY
from daemon.jobs.timetable import Timetable

NAMES = (NIGHTLY, ASSESS, WEEKLY)
START_S = 1_795_435_200
"""2026-11-23T12:00Z."""


def timetable_of(zone: str = "UTC", *, weekly_on: str = "mon", listed: bool = True) -> Timetable:
    """A timetable, with its list of times or without."""
    times = times_around(START_S, timezone=zone, weekly_on=weekly_on) if listed else {}
    return Timetable(names=NAMES, times=times, timezone=zone, weekly_on=weekly_on)


def after(name: str, start: str, *, zone: str = "UTC", runs: int = 1, weekly_on: str = "mon") -> list[str]:
    """The next runs after a local time, as local times."""
    timetable = timetable_of(zone, weekly_on=weekly_on)
    at_s = dt.datetime.fromisoformat(start).replace(tzinfo=ZoneInfo(zone)).timestamp()
    found = []
    for _ in range(runs):
        at_s = timetable.next_s(name, at_s)
        found.append(dt.datetime.fromtimestamp(at_s, ZoneInfo(zone)).strftime("%a %Y-%m-%d %H:%M"))
    return found


def test_parts_of_hours_are_judged_once_they_are_known() -> None:
    """Every ten minutes, five minutes past, in any zone; a run at that very second is followed by the next."""
    assert after(ASSESS, "2026-11-22T14:00", runs=2) == ["Sun 2026-11-22 14:05", "Sun 2026-11-22 14:15"]
    assert after(ASSESS, "2026-11-22T14:25:00", runs=1) == ["Sun 2026-11-22 14:35"]
    assert after(ASSESS, "2026-11-22T14:56", zone="Asia/Kolkata") == ["Sun 2026-11-22 15:05"]


@pytest.mark.parametrize(
    ("weekly_on", "day"),
    [("mon", "Mon"), ("tue", "Tue"), ("wed", "Wed"), ("thu", "Thu"), ("fri", "Fri"), ("sat", "Sat"), ("sun", "Sun")],
)
def test_days_go_by_their_names(weekly_on: str, day: str) -> None:
    """Each name is that day of the calendar, which numbers are not: this library's 0 is Monday, cron's is Sunday."""
    assert after(WEEKLY, "2026-11-22T14:00", weekly_on=weekly_on)[0][:3] == day


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "America/Santiago"])
def test_every_night_has_one_run(zone: str) -> None:
    """A year of nights, each once and at ten past four, over both clock changes (time zone data of IANA)."""
    nights = after(NIGHTLY, "2026-01-01T12:00", zone=zone, runs=365)

    assert [night[-5:] for night in nights] == ["04:10"] * 365
    days = [dt.datetime.strptime(night[4:14], "%Y-%m-%d").replace(tzinfo=dt.UTC) for night in nights]
    assert [(later - earlier).days for earlier, later in itertools.pairwise(days)] == [1] * 364


def test_an_hour_that_comes_twice_is_judged_twice() -> None:
    """It is two hours of readings: in Berlin's autumn, from 02:55 summer time to 02:05 winter time."""
    runs = [run[-5:] for run in after(ASSESS, "2026-10-25T01:50", zone="Europe/Berlin", runs=14)]

    assert runs[:2] == ["01:55", "02:05"]
    assert runs.count("02:05") == runs.count("02:55") == 2


@settings(max_examples=60, deadline=None)
@given(seconds=st.floats(min_value=-30 * DAY_S, max_value=(DAYS_AHEAD - 8) * DAY_S), name=st.sampled_from(NAMES))
def test_the_list_says_what_the_library_says(seconds: float, name: str) -> None:
    """At any moment of two years, for each job, against APScheduler's own trigger (the library is the oracle)."""
    zone = "Europe/Berlin"
    trigger = trigger_of(name, timezone=zone, weekly_on="sun")
    timetable = timetable_of(zone, weekly_on="sun")

    assert timetable.next_s(name, START_S + seconds) == next_time(trigger, START_S + seconds)


@pytest.mark.parametrize("years", [-40, -1, 3, 60])
def test_beyond_the_list_the_library_is_asked(years: int) -> None:
    """Under a clock that is years off, and after years of running: the same as without a list."""
    at_s = START_S + years * 366 * DAY_S
    for name in NAMES:
        assert timetable_of().next_s(name, at_s) == timetable_of(listed=False).next_s(name, at_s) > at_s


def test_looking_up_imports_no_calendar() -> None:
    """The always-on process stays as light as it was."""
    script = (
        "import sys; import daemon.jobs.jobs; from daemon.jobs.timetable import Timetable;"
        "table = Timetable(names=('nightly', 'assess'), times={'nightly': (0, 86400)}, timezone='UTC', weekly_on='mon');"
        "print(table.next_s('nightly', 5.0), table.next_s('assess', 5.0), 'apscheduler' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)

    assert done.stdout.split() == ["86400.0", "300.0", "False"]

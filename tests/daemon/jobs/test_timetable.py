"""When jobs are due, over clock changes and by names of days."""

import datetime as dt
import itertools
from zoneinfo import ZoneInfo

import pytest

from daemon.jobs.names import ASSESS, NIGHTLY, WEEKLY
from daemon.jobs.timetable import make_timetable

NAMES = (NIGHTLY, ASSESS, WEEKLY)


def after(name: str, start: str, *, zone: str = "UTC", runs: int = 1, weekly_on: str = "mon") -> list[str]:
    """The next runs after a local time, as local times."""
    timetable = make_timetable(NAMES, timezone=zone, weekly_on=weekly_on)
    at_s = dt.datetime.fromisoformat(start).replace(tzinfo=ZoneInfo(zone)).timestamp()
    found = []
    for _ in range(runs):
        at_s = timetable.next_s(name, at_s)
        found.append(dt.datetime.fromtimestamp(at_s, ZoneInfo(zone)).strftime("%a %Y-%m-%d %H:%M"))
    return found


def test_hours_are_judged_once_they_are_settled() -> None:
    """25 minutes past each UTC hour, in a zone of half hours too; a run at that very second is followed by the next."""
    assert after(ASSESS, "2026-11-22T14:00", runs=2) == ["Sun 2026-11-22 14:25", "Sun 2026-11-22 15:25"]
    assert after(ASSESS, "2026-11-22T14:25:00", runs=1) == ["Sun 2026-11-22 15:25"]
    assert after(ASSESS, "2026-11-22T14:30", zone="Asia/Kolkata") == ["Sun 2026-11-22 14:55"]


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
    """It is two hours of readings: in Berlin's autumn, 02:25 summer time and 02:25 winter time."""
    assert [run[-5:] for run in after(ASSESS, "2026-10-25T01:30", zone="Europe/Berlin", runs=3)] == [
        "02:25", "02:25", "03:25",
    ]  # fmt: skip


def test_only_what_is_wanted() -> None:
    """A job that this install cannot do is not in the timetable."""
    assert list(make_timetable((NIGHTLY,), timezone="UTC", weekly_on="mon").triggers) == [NIGHTLY]

"""When each job is due, by the calendar. For the always-on process: APScheduler's trigger, and nothing else of it.

Its scheduler keeps the next run as a time of the wall clock and sleeps until then, so that a clock put back by two
hours stops everything for two hours and one put forward by weeks runs or works out every run in between. Here the
trigger is asked in each round whether a run lies between the last one and now, which no step of the clock can spoil.
"""

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from apscheduler.triggers.cron import CronTrigger

from daemon.jobs.names import ASSESS, NIGHTLY, WEEKLY

SETTLED_MINUTE = 25
"""An hour is settled 22 minutes after its end; then it can be assessed."""
NIGHT_HOUR, NIGHT_MINUTE = 4, 10
MORNING_HOUR = 5
"""Never from one to three: in most zones those are the hours that a clock change leaves out or gives twice."""
_TICK = dt.timedelta(microseconds=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Timetable:
    """A trigger for every job, most urgent first."""

    triggers: Mapping[str, CronTrigger]

    def next_s(self, name: str, after_s: float) -> float:
        """The first time after another, UTC epoch seconds, at which a job is due; infinite if there is none."""
        trigger = self.triggers[name]
        after = dt.datetime.fromtimestamp(after_s, trigger.timezone)
        found = trigger.get_next_fire_time(None, after + _TICK)
        return math.inf if found is None else found.timestamp()


def make_timetable(names: tuple[str, ...], *, timezone: str, weekly_on: str) -> Timetable:
    """The timetable of some jobs.

    Args:
        names: of ASSESS, NIGHTLY, WEEKLY; others are unknown.
        timezone: of the plant, by which nights and weeks are told.
        weekly_on: name of a day: numbers of days mean another day to this library than to cron.
    """
    zone = ZoneInfo(timezone)
    triggers = {
        NIGHTLY: CronTrigger(hour=NIGHT_HOUR, minute=NIGHT_MINUTE, timezone=zone),
        ASSESS: CronTrigger(minute=SETTLED_MINUTE, timezone=dt.UTC),
        WEEKLY: CronTrigger(day_of_week=weekly_on, hour=MORNING_HOUR, minute=0, timezone=zone),
    }
    return Timetable(triggers={name: trigger for name, trigger in triggers.items() if name in names})

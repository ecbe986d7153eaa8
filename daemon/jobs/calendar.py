"""Times of the calendar at which jobs are due, by APScheduler's cron triggers. Not for the always-on process.

Its scheduler keeps the next run as a time of the wall clock and sleeps until then, so that a clock put back by two
hours stops everything for two hours, and one put forward by weeks has it run or work out every run in between. So only
its triggers are used, and only to list times ahead (daemon.jobs.timetable).
"""

import datetime as dt
import math
from zoneinfo import ZoneInfo

from apscheduler.triggers.cron import CronTrigger

from daemon.jobs.names import ASSESS, NIGHTLY, WEEKLY
from daemon.jobs.timetable import ASSESS_EVERY_S, ASSESS_PAST_S

NIGHT_HOUR, NIGHT_MINUTE = 4, 10
MORNING_HOUR = 5
"""Never from one to three: in most zones those are the hours that a clock change leaves out or gives twice."""
DAYS_BACK, DAYS_AHEAD = 40, 800
DAY_S = 86_400.0
_TICK = dt.timedelta(microseconds=1)


def trigger_of(name: str, *, timezone: str, weekly_on: str) -> CronTrigger:
    """The trigger of a job.

    Args:
        name: ASSESS, NIGHTLY or WEEKLY.
        timezone: of the plant, by which nights and weeks are told.
        weekly_on: name of a day: numbers of days mean another day to this library than to cron.
    """
    zone = ZoneInfo(timezone)
    if name == ASSESS:
        return CronTrigger(minute=f"{ASSESS_PAST_S // 60}-59/{ASSESS_EVERY_S // 60}", timezone=dt.UTC)
    if name == NIGHTLY:
        return CronTrigger(hour=NIGHT_HOUR, minute=NIGHT_MINUTE, timezone=zone)
    return CronTrigger(day_of_week=weekly_on, hour=MORNING_HOUR, minute=0, timezone=zone)


def next_time(trigger: CronTrigger, after_s: float) -> float:
    """The first time of a trigger after another, UTC epoch seconds; infinite if there is none."""
    after = dt.datetime.fromtimestamp(after_s, trigger.timezone)
    found = trigger.get_next_fire_time(None, after + _TICK)
    return math.inf if found is None else found.timestamp()


def times_around(now_s: float, *, timezone: str, weekly_on: str) -> dict[str, tuple[int, ...]]:
    """All nights and weeks from a while ago to two years ahead, UTC epoch seconds."""
    return {name: _times(trigger_of(name, timezone=timezone, weekly_on=weekly_on), now_s) for name in (NIGHTLY, WEEKLY)}


def _times(trigger: CronTrigger, now_s: float) -> tuple[int, ...]:
    """All times of a trigger."""
    found = [next_time(trigger, now_s - DAYS_BACK * DAY_S)]
    while found[-1] < now_s + DAYS_AHEAD * DAY_S:
        found.append(next_time(trigger, found[-1]))
    return tuple(map(int, found))

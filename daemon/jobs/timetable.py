"""When each job is due. For the always-on process: it looks times up, which somebody else has worked out.

APScheduler's triggers know the calendar, and cost 3 MB to import. So the nights and weeks of the next two years come
with the plan, and the library is imported only for times beyond them: after so long a run, or under a clock so wrong.
"""

import bisect
import importlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daemon.jobs.names import ASSESS

ASSESS_EVERY_S, ASSESS_PAST_S = 600, 300
"""Ten minutes of readings are known for good some four minutes after they are over; then they can be judged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Timetable:
    """Times of every job.

    Attributes:
        names: of the jobs, most urgent first.
        times: times of nightly and weekly jobs, UTC epoch seconds in order; those beyond are worked out.
        timezone: of the plant.
        weekly_on: name of the day of the weekly job.
    """

    names: tuple[str, ...]
    times: Mapping[str, Sequence[int]]
    timezone: str
    weekly_on: str

    def next_s(self, name: str, after_s: float) -> float:
        """The first time after another, UTC epoch seconds, at which a job is due."""
        if name == ASSESS:
            return float(((after_s - ASSESS_PAST_S) // ASSESS_EVERY_S + 1) * ASSESS_EVERY_S + ASSESS_PAST_S)
        known = self.times.get(name, ())
        if known and known[0] <= after_s < known[-1]:
            return float(known[bisect.bisect_right(known, after_s)])
        calendar = importlib.import_module("daemon.jobs.calendar")
        trigger = calendar.trigger_of(name, timezone=self.timezone, weekly_on=self.weekly_on)
        return float(calendar.next_time(trigger, after_s))

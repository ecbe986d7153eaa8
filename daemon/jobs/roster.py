"""Which job is due: pure, with both clocks as arguments. For the always-on process.

Calendar times go by the wall clock, retries by the monotonic one.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from daemon.jobs.timetable import Timetable

FIRST_RETRY_S = 120.0
LONGEST_RETRY_S = 3600.0
LONG_AGO_S = 30 * 86_400.0
"""Every job has a time within this, so that what was done before it need not be known."""


@dataclass(slots=True, kw_only=True)
class Standing:
    """How a job stands.

    Attributes:
        done_s: when the last run that did its work began, UTC epoch seconds; None without one.
        failures: runs that failed since.
        retry_steady_s: the next try after a failure, on the monotonic clock.
    """

    done_s: float | None = None
    failures: int = 0
    retry_steady_s: float = 0.0


class Roster:
    """Says which job is due, from what was done and what time it is.

    A job is due if a time of its timetable lies between its last run and now, however many do: what was missed while
    nothing ran, or while the clock jumped, is done once.

    Args:
        timetable: of all jobs.
        known: standings of earlier runs, by job; retries of theirs begin at once.
        since_s: jobs that never ran count from here: the first reading, or now.
        now_s: UTC epoch seconds.
    """

    def __init__(self, timetable: Timetable, known: Mapping[str, Standing], *, since_s: float, now_s: float) -> None:
        self._timetable = timetable
        self._standings = {name: known.get(name, Standing()) for name in timetable.names}
        self._since_s = min(since_s, now_s)
        self._back_s = now_s
        self._seen_s = now_s
        self._planned: dict[str, tuple[float, float]] = {}

    @property
    def names(self) -> tuple[str, ...]:
        """All jobs, most urgent first."""
        return tuple(self._standings)

    def failures(self, name: str) -> int:
        """How often a job has failed since it last did its work."""
        return self._standings[name].failures

    def due(self, *, now_s: float, steady_s: float) -> str | None:
        """The most urgent job that is due; None if none is."""
        self._look(now_s)
        for name, standing in self._standings.items():
            if standing.failures:
                if steady_s >= standing.retry_steady_s:
                    return name
            elif self._planned_s(name, now_s) <= now_s:
                return name
        return None

    def next_s(self, name: str, *, now_s: float, steady_s: float) -> float:
        """When a job is next to run, UTC epoch seconds by the wall clock as it is now."""
        self._look(now_s)
        standing = self._standings[name]
        if standing.failures:
            return now_s + max(standing.retry_steady_s - steady_s, 0.0)
        return max(self._planned_s(name, now_s), now_s)

    def done(self, name: str, *, started_s: float) -> None:
        """A run that began then did its work, or found nothing to do."""
        self._standings[name] = Standing(done_s=started_s)

    def failed(self, name: str, *, steady_s: float) -> None:
        """A run failed: try again, later each time."""
        standing = self._standings[name]
        standing.failures += 1
        wait_s = min(FIRST_RETRY_S * 2.0 ** min(standing.failures - 1, 16), LONGEST_RETRY_S)
        standing.retry_steady_s = steady_s + wait_s

    def _look(self, now_s: float) -> None:
        """Note a clock that was put back: what it did before, it did at a time that has yet to come."""
        if now_s < self._seen_s:
            self._back_s = now_s
        self._seen_s = now_s

    def _planned_s(self, name: str, now_s: float) -> float:
        """The first time of the timetable after the last run; a run in the future says nothing of when it was."""
        done_s = self._standings[name].done_s
        base_s = self._since_s if done_s is None else done_s
        base_s = max(base_s, now_s - LONG_AGO_S) if base_s <= now_s else self._back_s
        known = self._planned.get(name)
        if known is None or known[0] != base_s:  # asked every two seconds, changed once an hour
            known = self._planned[name] = (base_s, self._timetable.next_s(name, base_s))
        return known[1]

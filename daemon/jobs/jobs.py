"""The jobs beside the collecting: due ones are started, watched and told of, and none is ever waited for.

For the always-on process: it starts others and does no work itself.
"""

import logging
import sys
from collections.abc import Mapping, Sequence
from typing import Any

from daemon import eventlog
from daemon.jobs.child import Child, Ended
from daemon.jobs.names import ASSESS, NIGHTLY, WEEKLY
from daemon.jobs.roster import Roster, Standing
from daemon.jobs.timetable import Timetable
from daemon.plan import JobsPlan
from daemon.store.job_runs import JobHistory, JobRun, Outcome

START_AFTER_S = 60.0
"""Sources come up, the first minute goes in and the clock may be set before anything else has a share of the machine."""
TOLD_AFTER_S = 150.0
"""An assessment that runs for so long is told of: one that waits for its turn to write is done within a minute or two."""
LIMITS_S: Mapping[str, float] = {NIGHTLY: 3600.0, ASSESS: 1200.0, WEEKLY: 1200.0}
NOTHING_TO_DO = 66
"""Exit code of a command that has nothing to work on yet: no readings, or not commissioned."""

log = logging.getLogger(__name__)


class Jobs:
    """All jobs of a collector, one at a time.

    Args:
        plan: which, and of what plant.
        db: path of the database.
        histories: what earlier runs did.
        first_s: UTC epoch seconds of the first reading in the database; None without one.
        now_s: UTC epoch seconds.
        steady_s: the monotonic clock.
        program: what is run, with the job's name, the plant file and the database after it.
    """

    def __init__(  # noqa: PLR0913 - all by name, all plain values
        self,
        plan: JobsPlan,
        *,
        db: str,
        histories: Mapping[str, JobHistory],
        first_s: float | None,
        now_s: float,
        steady_s: float,
        program: Sequence[str] = (sys.executable, "-P", "-m", "daemon.jobs.work"),
    ) -> None:
        self._command = tuple(program)
        self._subject = (plan.plant_file, db)
        timetable = Timetable(names=plan.names, times=plan.times, timezone=plan.timezone, weekly_on=plan.weekly_on)
        standings = {name: _standing(history, steady_s) for name, history in histories.items()}
        self._roster = Roster(timetable, standings, since_s=now_s if first_s is None else first_s, now_s=now_s)
        self._start_s = steady_s + START_AFTER_S
        self._child: Child | None = None
        self._name = ""
        self._began_s, self._began_steady_s = now_s, steady_s
        self._ended: list[JobRun] = []
        self._said: dict[str, Any] = {}
        self._noted = {name: history.last for name, history in histories.items()}
        self._again: JobRun | None = None

    def round(self, *, now_s: float, steady_s: float) -> bool:
        """Look after the job that runs, or start one that is due; whether one ended just now."""
        if self._child is None:
            self._start_due(now_s, steady_s)
        if self._child is None:
            return False
        ended = self._child.poll(steady_s=steady_s)
        if ended is None:
            return False
        self._child = None
        self._note(_outcome(ended), ended.words, now_s, steady_s)
        return True

    def take_ended(self) -> list[JobRun]:
        """The runs that ended since this was asked before, but for an assessment that went as the one before it.

        When that was is in `body`, which is written every ten minutes anyway, and its run is given once the jobs stop.
        """
        ended, self._ended = self._ended, []
        return ended

    def body(self, *, now_s: float, steady_s: float) -> dict[str, Any]:
        """How each job stands, as stored for `clearbore status`; UTC epoch milliseconds.

        A run of every ten minutes that has only begun is not told: it is over before anybody looks, and each change of
        what stands here costs a card a page or two.
        """
        body = {
            name: {
                "next_ms": 1000 * round(self._roster.next_s(name, now_s=now_s, steady_s=steady_s)),
                "running_since_ms": round(1000 * self._began_s)
                if self._child is not None and name == self._name
                else None,
                "again_ms": self._again_ms if name == ASSESS else None,
            }
            for name in self._roster.names
        }
        if self._child is not None and self._name == ASSESS and steady_s - self._began_steady_s < TOLD_AFTER_S:
            body[ASSESS] = self._said.get(ASSESS, body[ASSESS])
        self._said = body
        return body

    @property
    def failing(self) -> tuple[str, ...]:
        """Jobs that failed when they were last tried."""
        return tuple(name for name in self._roster.names if self._roster.failures(name))

    def stop(self) -> None:
        """End the job that runs, which is due again at the next start; what was not told yet is among the ended."""
        if self._child is not None:
            self._child.stop()
            self._child = None
        if self._again is not None:
            self._ended.append(self._again)
            self._again = None

    def _start_due(self, now_s: float, steady_s: float) -> None:
        """Start the job that is due, if one is; one that cannot even be started has failed."""
        name = self._roster.due(now_s=now_s, steady_s=steady_s) if steady_s >= self._start_s else None
        if name is None:
            return
        self._name, self._began_s, self._began_steady_s = name, now_s, steady_s
        try:
            self._child = Child((*self._command, name, *self._subject), limit_s=LIMITS_S[name], steady_s=steady_s)
        except OSError as error:
            self._note(Outcome.FAILED, f"cannot be started ({error.strerror or error})", now_s, steady_s)

    def _note(self, outcome: Outcome, words: str, now_s: float, steady_s: float) -> None:
        """Keep what a run did; only a change between doing and failing is told to the log."""
        name, failed_before = self._name, self._roster.failures(self._name) > 0
        if outcome.bad:
            self._roster.failed(name, steady_s=steady_s)
            if not failed_before:
                eventlog.say(log, logging.ERROR, "job_failed", job=name, why=words)
        else:
            self._roster.done(name, started_s=self._began_s)
            if failed_before:
                eventlog.say(log, logging.WARNING, "job_recovered", job=name)
        run = JobRun(
            name=name,
            started_ms=round(1000 * self._began_s),
            ended_ms=round(1000 * now_s),
            outcome=outcome,
            words=words,
        )
        again = name == ASSESS and name in self._noted and run.is_like(self._noted[name])
        self._noted[name] = run
        if name == ASSESS:
            self._again = run if again else None
        if not again:
            self._ended.append(run)

    @property
    def _again_ms(self) -> tuple[int, int] | None:
        """When the last assessment began and ended, if it went as the one before."""
        return None if self._again is None else (self._again.started_ms, self._again.ended_ms)


def _standing(history: JobHistory, steady_s: float) -> Standing:
    """How a job stood when the collector last ended; one that failed is tried again at once."""
    return Standing(
        done_s=None if history.done_ms is None else history.done_ms / 1000,
        failures=history.failures,
        retry_steady_s=steady_s,
    )


def _outcome(ended: Ended) -> Outcome:
    """What an exit code means."""
    if ended.late:
        return Outcome.LATE
    if ended.code == NOTHING_TO_DO:
        return Outcome.IDLE
    return Outcome.GOOD if ended.code == 0 else Outcome.FAILED

"""The collector's loop: empty the inbox, date the readings, gather minutes, commit once a minute."""

import logging
import os
import threading
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

from config.time_service import CLOCK_SET_FILE
from daemon import clock, eventlog
from daemon.batch_store import BatchStore
from daemon.collector_clock import CollectorClock
from daemon.dating import Dater
from daemon.gauge_minutes import GaugeBook
from daemon.inbox import Inbox
from daemon.jobs.jobs import Jobs
from daemon.jobs.names import ASSESS
from daemon.minutes import MinuteBook
from daemon.plausible import Gate
from daemon.readings import Batch, Dated, Rejected
from daemon.sdnotify import ServiceManager
from daemon.sources.source import Source
from daemon.state_news import StateNews, States
from daemon.tally import ClockNote, MeterTally, SourceTally

TICK_S = 2.0
LATE_MS = 5_000
"""A minute is committed this long after its end, so that its last readings are in and settled: sources gather for up to
two seconds, and a round may be as far away."""
RETRY_S = 5.0
"""A failed commit is tried again after this."""
HELD_UP_S = 3_600.0
"""While a reader pins the log at its greatest length, commits come this far apart."""
JUMP = "count jumps faster than any meter turns"
LAST_TRIES = 6
PAUSE_S = 1.0
STOP_S = 8.0
STATUS_EVERY_S = 10.0
NO_GAUGES: Mapping[str, int] = MappingProxyType({})
NEVER = -1
"""In the place of the minute that was committed last: commit now."""

log = logging.getLogger(__name__)


class Collector:
    """Runs sources and store until asked to stop.

    Attributes:
        read: readings taken in so far.
        dead_sources: sources whose thread has ended by a fault of the program; the service manager starts us anew.

    Args:
        meters: (number in the database, width of the counter in bits) by meter.
        sources: not yet started; each with the meters that it feeds.
        store: open.
        inbox: the one that the sources fill.
        manager: who to tell that we live.
        clock_set_file: what tells that the clock is set.
        jobs: what is done beside the collecting; None for nothing.
        gauges: number in the database by gauge.
    """

    def __init__(  # noqa: PLR0913 - what a collector is made of, all by name
        self,
        *,
        meters: Mapping[str, tuple[int, int]],
        sources: Sequence[tuple[Source, Sequence[str]]],
        store: BatchStore,
        inbox: Inbox,
        manager: ServiceManager,
        clock_set_file: str = CLOCK_SET_FILE,
        jobs: Jobs | None = None,
        gauges: Mapping[str, int] = NO_GAUGES,
    ) -> None:
        self._sources = [source for source, _ in sources]
        self._store = store
        self._inbox = inbox
        self._manager = manager
        self._jobs = jobs
        self._tallies = {
            source.name: SourceTally(where=source.where, meters={meter: MeterTally() for meter in fed})
            for source, fed in sources
        }
        self._source_of = {meter: source.name for source, fed in sources for meter in fed}
        self._tells_uptime: set[str] = set()
        self._book = MinuteBook(meters)
        self._gauges = GaugeBook(gauges)
        self._clock = CollectorClock(store, self._book, gauges=self._gauges, set_file=clock_set_file)
        remembered = self._clock.remembered()
        self._dater = Dater(remembered, wall_minus_steady_ms=self._clock.note.dating_ms)
        self._gate = Gate({meter: bits for meter, (_, bits) in meters.items()}, remembered)
        self._state: dict[str, Any] = {
            "pid": os.getpid(),
            "started_ms": _wall_ms(),
            "stopped_ms": None,
            "lost": 0,
            "write_failures": 0,
        }
        self._news = StateNews()
        self._committed_minute = self._clock.closed_minute(LATE_MS)
        self._committed_at_s = clock.monotonic_s()
        self._retry_at_s = 0.0
        self._told_at_s = 0.0
        self._told: set[tuple[str, str]] = set()
        self.read = 0
        self.dead_sources: list[str] = []

    def run(self, stopping: threading.Event, *, seconds: float | None = None) -> bool:
        """Collect until `stopping` is set or the time is over; False if at the end something could not be written."""
        for source in self._sources:
            source.start()
        eventlog.say(
            log,
            logging.INFO,
            "started",
            sources=",".join(self._tallies),
            meters=len(self._source_of),
            gauges=self._gauges.count,
        )
        self._commit()  # so that status knows of this run, and a database that cannot be written is noticed at once
        self._manager.notify("READY=1", f"STATUS={self._summary()}")
        end_s = None if seconds is None else clock.monotonic_s() + seconds
        while not stopping.wait(_wait_s(end_s)) and (end_s is None or clock.monotonic_s() < end_s):
            self._tick()
            if self.dead_sources:
                eventlog.say(log, logging.CRITICAL, "source_died", sources=",".join(self.dead_sources))
                break
        return self._stop()

    @property
    def words(self) -> dict[str, str]:
        """What each source last said of itself."""
        return {name: tally.words for name, tally in self._tallies.items()}

    def _tick(self) -> None:
        """One round; whatever fails in it is told to the log, and the next round goes on."""
        self._clock.look()
        self._take(self._inbox.empty(), settle=True)
        minute = self._clock.closed_minute(LATE_MS)
        due = minute != self._committed_minute or self._store.waiting_rows > 0
        if due and self._store.held_up:
            self._store.look_at_log()
            due = not self._store.held_up or clock.monotonic_s() - self._committed_at_s >= HELD_UP_S
        if self._store.movable:
            self._store.move_known()
        elif due and clock.monotonic_s() >= self._retry_at_s:
            self._clock.keep(before_minute=minute)
            if self._commit():
                self._committed_minute = minute
                self._committed_at_s = clock.monotonic_s()
        self.dead_sources = [source.name for source in self._sources if not source.alive]
        self._look_after_jobs()
        self._tell()

    def _look_after_jobs(self) -> None:
        """Start and watch jobs; what one did is written with the next commit.

        That comes at once, but for the assessment of every ten minutes that went well: it would cost a card 140 commits
        a day.
        """
        if self._jobs is not None and self._jobs.round(now_s=clock.now_s(), steady_s=clock.monotonic_s()):
            ended = self._jobs.take_ended()
            self._store.keep_job_runs(ended)
            if any(run.name != ASSESS or run.outcome.bad for run in ended):
                self._committed_minute = NEVER

    def _take(self, batch: Batch, *, settle: bool) -> None:
        """Put everything where it belongs."""
        now_ms = _wall_ms()
        for change in batch.changes:
            self._tallies[change.source].change(change, now_ms=now_ms)
            level = logging.INFO if change.up else logging.WARNING
            eventlog.say(
                log, level, "source_up" if change.up else "source_down", source=change.source, why=change.words
            )
        for arrival in batch.arrivals:
            self._tallies[arrival.source].arrive(arrival)
            self._tells_uptime.update(reading.meter for reading in arrival.readings if reading.uptime_ms is not None)
        self._take_rejected(batch, now_ms)
        readings = [reading for arrival in batch.arrivals for reading in arrival.readings]
        self.read += len(readings)
        self._take_values(batch)
        now_steady_ms = round(clock.monotonic_s() * 1000)
        note = self._clock.note
        dated = self._dater.date(readings, now_ms=now_steady_ms, wall_minus_steady_ms=note.dating_ms, settle=settle)
        for good in self._gate.let_through(dated, uptime_told=self._tells_uptime):
            self._book.add(good)
            self._note(good, note)
        if not settle:
            self._gate.close()
        self._take_refused(now_ms)

    def _take_values(self, batch: Batch) -> None:
        """Put what gauges showed into their minutes."""
        note = self._clock.note
        for arrival in batch.arrivals:
            for value in arrival.values:
                counted = self._gauges.add(value, wall_minus_steady_ms=note.dating_ms)
                self._tallies[arrival.source].show(value, note, counted=counted)
                self.read += 1

    def _take_refused(self, now_ms: int) -> None:
        """Have counts that cannot be counted as rejected input."""
        refused = [
            Rejected(source=self._source_of[each.meter], reason=JUMP, line=f"{each.meter}: count {each.count}")
            for each in self._gate.take_refused()
        ]
        if refused:
            self._take_rejected(Batch(rejected=refused), now_ms)

    def _take_rejected(self, batch: Batch, now_ms: int) -> None:
        """Have all rejected input counted; the first of each kind is told."""
        for item in batch.rejected:
            if (item.source, item.reason) not in self._told:
                self._told.add((item.source, item.reason))
                eventlog.say(
                    log, logging.WARNING, "input_rejected", source=item.source, why=item.reason, line=item.line
                )
        self._store.keep_rejected(batch.rejected, now_ms=now_ms)

    def _note(self, dated: Dated, note: ClockNote) -> None:
        """Keep the last reading for status and for the next start; a restart is told."""
        source = self._source_of[dated.meter]
        self._tallies[source].date(dated, note, uptime_told=dated.meter in self._tells_uptime)
        self._clock.see(dated.at_ms, note)
        if dated.restarted:
            eventlog.say(log, logging.WARNING, "counter_restarted", source=source, meter=dated.meter, count=dated.count)

    def _commit(self) -> bool:
        """Write all that waits; after a failure the next try waits a little."""
        if self._inbox.lost > self._state["lost"]:
            eventlog.say(log, logging.ERROR, "inbox_full", lost=self._inbox.lost - self._state["lost"])
        self._state |= {
            "lost": self._inbox.lost,
            "write_failures": self._store.failures,
            "rows_dropped": self._store.dropped_rows,
        }
        self._state["clock"] = self._clock.body()
        if self._jobs is not None:
            self._state["jobs"] = self._jobs.body(now_s=clock.now_s(), steady_s=clock.monotonic_s())
        for meter, times in self._dater.doubled.items():
            self._tallies[self._source_of[meter]].meters[meter].doubled = times
        states = {"collector": self._state} | {name: tally.body() for name, tally in self._tallies.items()}
        written = self._write(states, now_ms=_wall_ms(), steady_s=clock.monotonic_s())
        self._retry_at_s = 0.0 if written else clock.monotonic_s() + RETRY_S
        return written

    def _write(self, states: States, *, now_ms: int, steady_s: float) -> bool:
        """Write what waits, and the states if they are news or nothing else would tell that we live."""
        news = self._news.wanted(
            states,
            rows=self._store.waiting_rows,
            newest_ms=self._state["clock"]["newest_ms"],
            now_ms=now_ms,
            steady_s=steady_s,
        )
        written = self._store.commit(news, now_ms=now_ms)
        if written:
            self._news.written(news, steady_s=steady_s)
        return written

    def _stop(self) -> bool:
        """Stop the sources, then write everything, the open minute too."""
        self._manager.notify("STOPPING=1")
        if self._jobs is not None:
            self._jobs.stop()
            self._store.keep_job_runs(self._jobs.take_ended())
        for source in self._sources:
            source.ask_to_stop()
        until_s = clock.monotonic_s() + STOP_S
        late = [source.name for source in self._sources if not source.join(max(0.0, until_s - clock.monotonic_s()))]
        if late:
            eventlog.say(log, logging.WARNING, "source_late", sources=",".join(late))
        self._take(self._inbox.empty(), settle=False)
        while self._store.movable:
            self._store.move_known()
        self._clock.keep()
        self._state["stopped_ms"] = _wall_ms()
        written = any(self._commit() or _pause() for _ in range(LAST_TRIES))
        eventlog.say(log, logging.INFO, "stopped", readings=self.read, rows_not_written=self._store.waiting_rows)
        self._store.close()
        return written

    def _tell(self) -> None:
        """A sign of life, from the loop that does the work and from nowhere else."""
        now_s = clock.monotonic_s()
        period_s = STATUS_EVERY_S if self._manager.watchdog_s is None else self._manager.watchdog_s / 3
        if now_s - self._told_at_s >= min(period_s, STATUS_EVERY_S):
            self._told_at_s = now_s
            self._manager.notify("WATCHDOG=1", f"STATUS={self._summary()}")

    def _summary(self) -> str:
        """One line for the service manager."""
        up = sum(tally.up for tally in self._tallies.values())
        text = f"{up} of {len(self._tallies)} sources up, {self.read} readings"
        waiting = self._store.waiting_rows
        text += f", {waiting} rows wait for the database" if waiting else ""
        failing = () if self._jobs is None else self._jobs.failing
        return f"{text}, failing: {', '.join(failing)}" if failing else text


def _wait_s(end_s: float | None) -> float:
    """Until the next round, or the end if that is sooner."""
    return TICK_S if end_s is None else max(0.0, min(TICK_S, end_s - clock.monotonic_s()))


def _pause() -> bool:
    """Give a busy database a moment; always False."""
    threading.Event().wait(PAUSE_S)
    return False


def _wall_ms() -> int:
    """UTC epoch milliseconds."""
    return round(clock.now_s() * 1000)

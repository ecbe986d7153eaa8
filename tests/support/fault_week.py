"""The collector on simulated clocks: `python -m tests.support.fault_week DB MINUTES FULL_MINUTES [PROMISED]`.

Twenty meters on two counters send a line a second for FULL_MINUTES, then one in twenty seconds; the loop is the collector's
own, only its waiting moves the clocks instead. What it costs is printed as JSON. PROMISED gets a line for each commit.
"""

import dataclasses
import gc
import json
import os
import pathlib
import sys
import threading
from collections.abc import Sequence

from daemon import clock, collector
from daemon.batch_store import BatchStore
from daemon.inbox import Inbox
from daemon.readings import Arrival, Reading
from daemon.sdnotify import ServiceManager
from daemon.sources.source import Source
from daemon.store import opening, writer
from daemon.store.merging import MinuteRow
from daemon.store.opening import open_lean_writer
from tests.support.fault_promises import tell_commits

EPOCH_S = 1_790_000_000
METERS = tuple(f"M{number}" for number in range(1, 21))
COUNTERS = {"serial:a": METERS[:10], "serial:b": METERS[10:]}
SAMPLE_MINUTES = 360


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """What the process uses, at a simulated minute."""

    minute: int
    resident_kb: int
    descriptors: int
    wal_kb: int


class Plugged(Source):
    """A source that is there; the clocks offer its lines."""

    def _run(self) -> None:
        self._say(up=True, words="port open")
        self._stopping.wait()


class Clocks(threading.Event):
    """Stands in for the event that stops the collector: waiting for it moves the clocks on and brings lines in."""

    def __init__(self, inbox: Inbox, db: pathlib.Path, *, minutes: int, full_minutes: int) -> None:
        super().__init__()
        self.inbox = inbox
        self.db = db
        self.minutes = minutes
        self.full_minutes = full_minutes
        self.steady_s = 1_000
        self.samples: list[Sample] = []
        self.sent = 0

    @property
    def minute(self) -> int:
        """Simulated minutes since the start."""
        return (self.steady_s - 1_000) // 60

    def wait(self, timeout: float | None = None) -> bool:
        """Let the time pass; True at the end."""
        for _ in range(round(timeout or 0)):
            self.steady_s += 1
            if self.minute < self.full_minutes or self.steady_s % 20 == 0:
                self._line()
        if self.minute % SAMPLE_MINUTES == 0 and len(self.samples) <= self.minute // SAMPLE_MINUTES:
            self._sample()
        return self.minute >= self.minutes

    def _line(self) -> None:
        """A line of each counter: every meter at a rate of its own."""
        uptime_s = self.steady_s - 500
        for source, meters in COUNTERS.items():
            readings = tuple(
                Reading(
                    meter=meter,
                    count=uptime_s * (10 + 3 * int(meter[1:])) & 0xFFFFFFFF,
                    uptime_ms=uptime_s * 1000,
                    arrival_ms=self.steady_s * 1000 + uptime_s % 7,
                    edges=0,
                )
                for meter in meters
            )
            self.sent += len(readings)
            self.inbox.offer([Arrival(source=source, readings=readings)])

    def _sample(self) -> None:
        gc.collect()
        wal = self.db.with_name(f"{self.db.name}-wal")
        with open("/proc/self/statm", encoding="ascii") as file:  # noqa: PTH123 - as lean as what is measured
            pages = int(file.read().split()[1])
        self.samples.append(
            Sample(
                minute=self.minute,
                resident_kb=pages * (os.sysconf("SC_PAGE_SIZE") // 1024),
                descriptors=len(os.listdir("/proc/self/fd")),  # noqa: PTH208 - as above
                wal_kb=wal.stat().st_size // 1024 if wal.exists() else 0,
            )
        )


def make_collector(db: pathlib.Path, inbox: Inbox) -> collector.Collector:
    """The collector of twenty meters, on a prepared database."""
    connection = open_lean_writer(db)
    numbers = writer.meter_ids(connection, METERS)
    return collector.Collector(
        meters={meter: (number, 32) for meter, number in numbers.items()},
        sources=[(Plugged(name, "/dev/null", inbox), meters) for name, meters in COUNTERS.items()],
        store=BatchStore(connection, kept_lines=100),
        inbox=inbox,
        manager=ServiceManager({}, pid=os.getpid()),
        clock_set_file="/nowhere/set",
    )


def main() -> None:
    """Run for so many simulated minutes."""
    db, minutes, full_minutes = pathlib.Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    inbox = Inbox()
    clocks = Clocks(inbox, db, minutes=minutes, full_minutes=full_minutes)
    clock.monotonic_s = lambda: float(clocks.steady_s)
    clock.now_s = lambda: float(EPOCH_S + clocks.steady_s)
    if len(sys.argv) > 4:
        tell_commits(sys.argv[4], newest_minute)
        opening.LEAN_CHECKPOINT_PAGES = 60  # the log is brought home more often: there is more that a cut can hit
    loop = make_collector(db, inbox)
    written = loop.run(clocks)
    samples = [dataclasses.asdict(sample) for sample in clocks.samples]
    print(json.dumps({"written": written, "sent": clocks.sent, "read": loop.read, "samples": samples}))  # noqa: T201


def newest_minute(rows: Sequence[MinuteRow]) -> str:
    """How many rows, and the newest minute among them; nothing if there are none."""
    return f"{len(rows)} {max(row.minute for row in rows)}" if rows else ""


if __name__ == "__main__":
    main()

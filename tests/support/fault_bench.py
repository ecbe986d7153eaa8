"""A bench for faults: a simulated counter on a terminal, a collecting process in a hurry, and what must hold after."""

import contextlib
import itertools
import json
import math
import pathlib
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Self

from daemon.rig import Rig
from daemon.store.prepare import prepare_store
from tests.support.waiting import wait_until

TOP = pathlib.Path(__file__).parents[2]
EPOCH_S = 1_790_000_000
BOOTED_S = 100.0
RATES_HZ = (7.0, 31.0)
METERS = ("M1", "M2")


class Bench:
    """A counter, a database and orders for collecting processes.

    Attributes:
        last_line_s: when the counter sent its last line, on the monotonic clock of the collecting processes.

    Args:
        folder: of the database; elsewhere: of everything else.
        speed: how many times faster the clocks run.
        clock_set_file: as in the plan; one that cannot be there leaves the clock to be taken at its word.
    """

    def __init__(
        self, folder: pathlib.Path, elsewhere: pathlib.Path, *, speed: float, clock_set_file: str = "/nowhere/set"
    ) -> None:
        self.db = folder / "bench.db"
        prepare_store(self.db)
        self.speed = speed
        self.rig = Rig(RATES_HZ, period_ms=1000, link=elsewhere / "counter")
        self.promised = elsewhere / "promised"
        self.log = elsewhere / "log"
        self.orders = elsewhere / "orders.json"
        self._elsewhere = elsewhere
        self.last_line_s = math.inf
        self._started_s = time.monotonic()
        self._stopping = threading.Event()
        self._device = threading.Thread(target=self._count, daemon=True)
        orders = {
            "db": str(self.db),
            "port": str(elsewhere / "counter"),
            "meters": METERS,
            "speed": speed,
            "epoch_s": EPOCH_S,
            "booted_s": BOOTED_S,
            "started_s": self._started_s,
            "wall_less_steady_s": time.time() - time.monotonic(),
            "promised": str(self.promised),
            "clock_set_file": clock_set_file,
        }
        self.orders.write_text(json.dumps(orders))

    def __enter__(self) -> Self:
        self.rig.plug()
        self._device.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.quiet()
        self.rig.unplug()

    def quiet(self) -> None:
        """The counter stops counting, but can still be read."""
        self._stopping.set()
        self._device.join()
        self.last_line_s = min(self.last_line_s, self.monotonic_s())

    def monotonic_s(self) -> float:
        """The monotonic clock of the collecting processes."""
        return BOOTED_S + (time.monotonic() - self._started_s) * self.speed

    def simulated(self, seconds: float) -> float:
        """So many seconds of the bench's clocks in real ones."""
        return seconds / self.speed

    @contextlib.contextmanager
    def collecting(
        self, *before: str, environment: Mapping[str, str] | None = None
    ) -> Iterator[subprocess.Popen[bytes]]:
        """A collecting process; it is dead afterwards whatever happens.

        Args:
            before: words of a command line to run it under.
            environment: its own, if not this process's.
        """
        with self.log.open("ab") as log:
            command = [*before, sys.executable, "-m", "tests.support.fault_collect", str(self.orders)]
            process = subprocess.Popen(command, cwd=TOP, stderr=log, env=environment)
        try:
            yield process
        finally:
            process.kill()
            process.wait(10)

    @contextlib.contextmanager
    def nursery(self) -> Iterator[subprocess.Popen[str]]:
        """A process that forks a collecting one for each line that it is sent."""
        with self.log.open("ab") as log:
            command = [sys.executable, "-m", "tests.support.fault_collect", str(self.orders), "nursery"]
            process = subprocess.Popen(
                command, cwd=TOP, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, text=True
            )
        try:
            yield process
        finally:
            process.kill()
            process.wait(10)
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    pipe.close()

    def logged(self, event: str) -> int:
        """How often an event is in the log."""
        return self.log.read_text().count(f" {event}")

    def wait_for(self, event: str, *, times: int = 1) -> None:
        """Until an event has been logged so often."""
        wait_until(lambda: self.logged(event) >= times, timeout_s=20)

    def wait_for_rows(self, more: int) -> None:
        """Until so many more minute rows are in."""
        before = len(self.rows())
        wait_until(lambda: len(self.rows()) >= before + more, timeout_s=20)

    def finish(self) -> None:
        """The counter stops counting; returns when its last line was read and a commit has told so.

        A line that the terminal had no room for is lost, as any line may be; so the last one is sent until it is read.
        """
        self.quiet()
        until_s = time.monotonic() + 30
        while not self._is_read():
            if time.monotonic() > until_s:
                raise TimeoutError("the last line was not read")
            self.rig.send_line()
            self.last_line_s = self.monotonic_s()
            with contextlib.suppress(TimeoutError):
                wait_until(self._is_read, timeout_s=1.0)

    def _is_read(self) -> bool:
        """Whether the newest state in the database knows the counter's last line."""
        found = self.ask("SELECT body FROM source_state WHERE name = 'serial:bench'")
        meters = json.loads(found[0][0])["meters"] if found else {}
        return [meters.get(meter, {}).get("count") for meter in METERS] == list(self.rig.counts)

    def rows(self) -> list[tuple[int, int, int, int, int, int]]:
        """Minute rows in order of meter and time: meter, end ms, last count, first count, restart, part."""
        return self.ask(
            "SELECT meter, minute * 60000 + at_ms, count, count - pulses, restart, part FROM minute"
            " ORDER BY meter, minute, part"
        )

    def ask(self, question: str) -> list[Any]:
        """What a reader of the database finds."""
        connection = sqlite3.connect(f"{self.db.as_uri()}?mode=ro", uri=True)
        try:
            return connection.execute(question).fetchall()
        finally:
            connection.close()

    def assert_whole_copy(self) -> None:
        """A copy of the files, as they are after a crash, passes the integrity check."""
        copy = self._elsewhere / "copy.db"
        for suffix in ("", "-wal"):
            source = self.db.with_name(f"{self.db.name}{suffix}")
            copy.with_name(f"copy.db{suffix}").unlink(missing_ok=True)
            if source.exists():
                shutil.copy(source, copy.with_name(f"copy.db{suffix}"))
        connection = sqlite3.connect(copy)
        try:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        finally:
            connection.close()

    def assert_nothing_lost(self) -> None:
        """The file is whole, every promised row is in, no row is doubled or out of order, every pulse is there."""
        assert self.ask("PRAGMA integrity_check") == [("ok",)]
        rows = self.rows()
        assert all(not restart and not part for *_, restart, part in rows)
        for number, count in enumerate(self.rig.counts, 1):
            spans = [(first, last) for meter, _at, last, first, _restart, _part in rows if meter == number]
            assert_in_order(spans)
            assert spans[-1][1] == count, (spans[-3:], count, self.rig.lost_lines)
            within = sum(last - first for first, last in spans)
            between = sum(after[0] - before[1] for before, after in itertools.pairwise(spans))
            assert within + between == count - spans[0][0]
        promised = [tuple(row) for line in self.promised.read_text().splitlines() for row in json.loads(line)]
        assert missing(promised, rows) == []

    def stop(self, process: subprocess.Popen[bytes]) -> int:
        """End a collecting process as a service manager does."""
        process.send_signal(signal.SIGTERM)
        return process.wait(20)

    def _count(self) -> None:
        """The counter's own life: a line each second of the bench's clocks."""
        due_s = time.monotonic()
        while not self._stopping.is_set():
            due_s += 1 / self.speed
            self._stopping.wait(max(0.0, due_s - time.monotonic()))
            self.rig.send_line()


def assert_in_order(spans: Sequence[tuple[int, int]]) -> None:
    """Counts never fall from row to row, and no row covers what another one does."""
    assert all(before[1] <= after[0] for before, after in itertools.pairwise(spans))


def missing(
    promised: Sequence[tuple[int, int, int]], rows: Sequence[tuple[int, int, int, int, int, int]]
) -> list[tuple[int, int, int]]:
    """Promised rows that no row in the database covers."""
    kept = {(meter, first): last for meter, _at, last, first, _restart, _part in rows}
    lost = []
    for meter, first, last in promised:
        covered = kept.get((meter, first), -1) >= last or any(
            number == meter and begin <= first and last <= end for (number, begin), end in kept.items()
        )
        if not covered:
            lost.append((meter, first, last))
    return lost

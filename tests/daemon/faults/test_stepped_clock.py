"""The wall clock of a collecting process is moved under it, by a library that is loaded before all others."""

import os
import pathlib
import struct
import time

from tests.support.fault_bench import EPOCH_S, Bench
from tests.support.fault_shims import needs_compiler, preloading

SPEED = 600.0
LATE_S = 0.25
DAY_S = 86_400
STEPS_S = (3 * DAY_S, -3600, -4 * DAY_S, 90, -EPOCH_S + 900_000_000, EPOCH_S - 900_000_000 + DAY_S - 90 + 3600)
"""Forth, back, further back, a little forth, to before 2000, and right again: they add up to nothing."""

pytestmark = needs_compiler


class WallClock:
    """The wall clock of the processes that are started in `environment`."""

    def __init__(self, folder: pathlib.Path) -> None:
        self._file = folder / "step"
        self._step_s = 0
        self.step(0)
        self.environment = preloading("fault_clock.c", folder, STEP_FILE=str(self._file))

    def step(self, by_s: int) -> None:
        """Move it."""
        self._step_s += by_s
        descriptor = os.open(self._file, os.O_WRONLY | os.O_CREAT, 0o600)
        os.pwrite(descriptor, struct.pack("<q", self._step_s * 1_000_000_000), 0)
        os.close(descriptor)


def collect_some_minutes(bench: Bench, wall: WallClock) -> None:
    """A run that ends cleanly before the clock is moved."""
    with bench.collecting(environment=wall.environment) as run:
        bench.wait_for_rows(4)
        assert bench.stop(run) == 0


def live_through(bench: Bench, wall: WallClock) -> None:
    """All steps, some minutes apart."""
    for step_s in STEPS_S:
        time.sleep(bench.simulated(150))
        wall.step(step_s)
    time.sleep(bench.simulated(150))


def assert_in_time(bench: Bench) -> None:
    """The newest row carries the time at which its last line was sent, but for what a busy machine is late."""
    newest_ms = max(row[1] for row in bench.rows())

    assert abs(newest_ms / 1000 - EPOCH_S - bench.last_line_s) < LATE_S * SPEED


def test_a_clock_that_a_time_server_sets(tmp_path: pathlib.Path) -> None:
    """It steps about while it is not set; once it is, all rows are dated, in order, each once, and right."""
    wall, server = WallClock(tmp_path), tmp_path / "timesync" / "synchronized"
    server.parent.mkdir()
    wall.step(-2 * DAY_S)
    with Bench(tmp_path, tmp_path, speed=SPEED, clock_set_file=str(server)) as bench:
        with bench.collecting(environment=wall.environment) as run:
            bench.wait_for("source_up")
            live_through(bench, wall)
            assert bench.rows() == []
            wall.step(2 * DAY_S)
            server.touch()
            bench.wait_for("clock_known")
            time.sleep(bench.simulated(150))
            bench.finish()
            assert bench.stop(run) == 0
        assert bench.logged("clock_stepped") == len(STEPS_S) + 1
        assert bench.ask("SELECT count(*) FROM undated_minute") == [(0,)]
        assert_in_time(bench)
        minutes = [minute for (minute,) in bench.ask("SELECT DISTINCT minute FROM minute ORDER BY minute")]
        assert minutes == list(range(minutes[0], minutes[-1] + 1))
        bench.assert_nothing_lost()


def test_a_clock_that_nobody_vouches_for(tmp_path: pathlib.Path) -> None:
    """Without a time server a step forth is not believed for an hour, a step back not at all: nothing is disordered."""
    wall = WallClock(tmp_path)
    with Bench(tmp_path, tmp_path, speed=SPEED) as bench:
        with bench.collecting(environment=wall.environment) as run:
            bench.wait_for_rows(4)
            live_through(bench, wall)
            before = bench.ask("SELECT count(*) FROM undated_minute")[0][0]
            assert before > 0
            bench.wait_for("clock_known")
            time.sleep(bench.simulated(150))
            bench.finish()
            assert bench.stop(run) == 0
        assert bench.ask("SELECT count(*) FROM undated_minute") == [(0,)]
        assert_in_time(bench)
        bench.assert_nothing_lost()


def test_a_step_forth_between_two_runs(tmp_path: pathlib.Path) -> None:
    """The clock is put a day ahead while nobody collects: the counter is not taken to have started anew."""
    wall = WallClock(tmp_path)
    with Bench(tmp_path, tmp_path, speed=SPEED) as bench:
        collect_some_minutes(bench, wall)
        wall.step(DAY_S)
        with bench.collecting(environment=wall.environment) as run:
            bench.wait_for_rows(4)
            bench.finish()
            assert bench.stop(run) == 0
        bench.assert_nothing_lost()


def test_a_step_between_two_runs(tmp_path: pathlib.Path) -> None:
    """The clock is put back while nobody collects: the next run dates after what is there."""
    wall = WallClock(tmp_path)
    with Bench(tmp_path, tmp_path, speed=SPEED) as bench:
        collect_some_minutes(bench, wall)
        wall.step(-DAY_S)
        with bench.collecting(environment=wall.environment) as run:
            time.sleep(bench.simulated(4000))
            bench.wait_for("clock_known")
            bench.finish()
            assert bench.stop(run) == 0
        assert bench.logged("clock_not_set") == 1
        bench.assert_nothing_lost()

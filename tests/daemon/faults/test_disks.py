"""Full disks, failing cards and broken system calls, under a collecting process that goes on."""

import os
import pathlib
import shutil
import time

import pytest

from tests.support.fault_bench import Bench
from tests.support.fault_disks import fill, needs_mount, sd_card, small_disk
from tests.support.waiting import wait_until

SPEED = 240.0
HELD_UP_S = 300
"""Simulated seconds for which writing is impossible."""


def assert_no_gap(bench: Bench) -> None:
    """Every minute between the first and the last has a row of each meter."""
    minutes = [minute for (minute,) in bench.ask("SELECT minute FROM minute GROUP BY minute HAVING count(*) = 2")]

    assert minutes == list(range(minutes[0], minutes[-1] + 1))


def finish(bench: Bench) -> None:
    """Let the counter rest and everything be read."""
    time.sleep(bench.simulated(90))
    bench.finish()


@needs_mount
def test_a_full_disk(tmp_path: pathlib.Path) -> None:
    """While there is no room the minutes wait in memory; once there is, all of them are written, none twice."""
    with (
        small_disk(tmp_path, megabytes=2) as disk,
        Bench(disk, tmp_path, speed=SPEED) as bench,
        bench.collecting() as run,
    ):
        bench.wait_for_rows(4)
        filler = fill(disk)
        bench.wait_for("write_failed")
        time.sleep(bench.simulated(HELD_UP_S))
        before = len(bench.rows())
        filler.unlink()
        bench.wait_for("write_recovered")
        assert len(bench.rows()) - before >= 2 * (HELD_UP_S // 60 - 1)
        finish(bench)
        assert bench.stop(run) == 0

        assert (bench.logged("write_failed"), bench.logged("rows_thinned")) == (1, 0)
        assert_no_gap(bench)
        bench.assert_nothing_lost()


@needs_mount
def test_a_disk_that_is_full_at_the_stop(tmp_path: pathlib.Path) -> None:
    """What could not be written is told with exit code 74; the next run finds a whole file and loses no pulse."""
    with small_disk(tmp_path, megabytes=2) as disk, Bench(disk, tmp_path, speed=SPEED) as bench:
        with bench.collecting() as run:
            bench.wait_for_rows(4)
            filler = fill(disk)
            bench.wait_for("write_failed")
            assert bench.stop(run) == 74
        assert "the last readings could not be written" in bench.log.read_text()
        filler.unlink()
        with bench.collecting() as run:
            bench.wait_for_rows(4)
            finish(bench)
            assert bench.stop(run) == 0
        bench.assert_nothing_lost()


@needs_mount
def test_a_card_turned_read_only_and_back(tmp_path: pathlib.Path) -> None:
    """The process outlives its card: it opens the file anew when it is back, and writes what it kept meanwhile."""
    with sd_card(tmp_path) as card, Bench(card.folder, tmp_path, speed=SPEED) as bench, bench.collecting() as run:
        bench.wait_for_rows(4)
        card.turn_read_only()
        bench.wait_for("write_failed")
        time.sleep(bench.simulated(HELD_UP_S))
        assert run.poll() is None
        card.unplug()
        time.sleep(max(1.0, bench.simulated(60)))
        assert run.poll() is None
        card.plug()
        bench.wait_for("write_recovered")
        finish(bench)
        assert bench.stop(run) == 0

        assert (bench.logged("write_failed"), bench.logged("write_recovered")) == (1, 1)
        assert_no_gap(bench)
        bench.assert_nothing_lost()


@needs_mount
def test_a_card_that_is_read_only_from_the_start(tmp_path: pathlib.Path) -> None:
    """The start is refused with exit code 74 and says what to look at."""
    with sd_card(tmp_path) as card, Bench(card.folder, tmp_path, speed=SPEED) as bench:
        card.turn_read_only()
        with bench.collecting() as run:
            assert run.wait(20) == 74
        assert "whether the card is read-only" in bench.log.read_text()


INJECTED = {
    "EIO when writing": "pwrite64:error=EIO:when=60..90",
    "ENOSPC when writing": "pwrite64:error=ENOSPC:when=60..90",
    "EIO when syncing": "fdatasync:error=EIO:when=8..12",
    "EIO now and then": "pwrite64:error=EIO:when=40+37",
}


@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed (apt-get install strace)")
@pytest.mark.parametrize("fault", INJECTED)
def test_a_system_call_that_fails(tmp_path: pathlib.Path, fault: str) -> None:
    """The minute is tried again until it is in: no row lost, none twice, the file whole."""
    with Bench(tmp_path, tmp_path, speed=SPEED) as bench:
        files = [word for suffix in ("", "-wal") for word in ("-P", f"{bench.db}{suffix}")]
        trace = [
            "strace",
            "-D",
            "-f",
            "-qq",
            "-o",
            os.devnull,
            *files,
            "-e",
            f"inject={INJECTED[fault]}",
        ]
        with bench.collecting(*trace) as run:
            wait_until(lambda: bench.logged("write_recovered") >= 1, timeout_s=30)
            bench.wait_for_rows(6)
            finish(bench)
            assert bench.stop(run) == 0
        assert bench.logged("write_failed") >= 1
        assert_no_gap(bench)
        bench.assert_nothing_lost()

"""Children: what they say, how they end, and that nobody waits for them."""

import pathlib
import sys
import time

import pytest

from daemon.jobs.child import Child, Ended
from tests.support.waiting import wait_until

HOUR_S = 3600.0


def child(script: str, *, limit_s: float = HOUR_S) -> Child:
    """A child that runs a script, started at 0 on the monotonic clock."""
    return Child([sys.executable, "-I", "-S", "-c", script], limit_s=limit_s, steady_s=0.0)


def end_of(running: Child, *, steady_s: float = 1.0) -> Ended:
    """Look after it until it has ended."""
    until_s = time.monotonic() + 10
    while (ended := running.poll(steady_s=steady_s)) is None:
        assert time.monotonic() < until_s
        time.sleep(0.01)
    return ended


def open_files() -> int:
    """How many descriptors this process holds."""
    return len(list(pathlib.Path("/proc/self/fd").iterdir()))


def lives(pid: int) -> bool:
    """Whether there is such a process."""
    return pathlib.Path(f"/proc/{pid}").exists()


def test_the_last_line_is_kept() -> None:
    """Of all that it says on standard error; what it prints goes nowhere."""
    ended = end_of(child("import sys; print('out'); sys.stderr.write('first\\n\\nlast words \\n\\n'); sys.exit(66)"))

    assert ended == Ended(code=66, words="last words", late=False)


def test_a_traceback_ends_in_what_went_wrong() -> None:
    """A fault of the program shows as its last line."""
    assert end_of(child("raise ValueError('no such run')")).words == "ValueError: no such run"


def test_silence_is_told_by_the_exit_code() -> None:
    """There is always something to read."""
    assert end_of(child("import os; os._exit(3)")) == Ended(code=3, words="exit code 3", late=False)


def test_a_talkative_child_is_not_held_up() -> None:
    """A megabyte of words passes through, of which the end is kept."""
    ended = end_of(child("import sys\nfor n in range(20000): sys.stderr.write(f'{n:060d}\\n')"))

    assert ended == Ended(code=0, words=f"{19_999:060d}", late=False)


def test_a_killed_child_is_told_as_such() -> None:
    """The kernel ends a child for want of memory by the same signal."""
    ended = end_of(child("import os; os.kill(os.getpid(), 9)"))

    assert (ended.code, ended.words) == (-9, "ended by SIGKILL, as when memory runs out")


def test_looking_never_waits() -> None:
    """A child that sleeps is looked at in no time."""
    running = child("import time; time.sleep(60)")
    start_s = time.monotonic()
    assert all(running.poll(steady_s=1.0) is None for _ in range(100))
    assert time.monotonic() - start_s < 2.0
    running.stop()


def test_the_time_limit_ends_it() -> None:
    """It is asked to end when its time is over."""
    ended = end_of(child("import time; time.sleep(60)", limit_s=120.0), steady_s=121.0)

    assert (ended.late, ended.words) == (True, "not done within 2 minutes, and ended")


def test_a_stubborn_child_is_ended_all_the_same() -> None:
    """One that does not listen goes a little later, with the grandchildren that it has."""
    script = (
        "import os, signal, sys, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); pid = os.fork();"
        "sys.stderr.write(f'{pid}\\n' if pid else ''); sys.stderr.flush(); time.sleep(60)"
    )
    running = child(script, limit_s=120.0)
    wait_until(lambda: running.poll(steady_s=1.0) is None and b"\n" in running._tail)
    grandchild = int(running._tail)
    assert running.poll(steady_s=121.0) is None
    time.sleep(0.2)
    assert running.poll(steady_s=125.0) is None

    assert end_of(running, steady_s=131.0).late
    wait_until(lambda: not lives(grandchild) or "Z" in pathlib.Path(f"/proc/{grandchild}/stat").read_text())


def test_stopping_leaves_no_process() -> None:
    """When the collector stops, so does its job."""
    running = child("import time; time.sleep(60)")
    running.stop()

    assert not lives(running.pid)


def test_what_cannot_be_started_says_so() -> None:
    """As an OSError, whose reason can be told."""
    with pytest.raises(OSError, match="No such file"):
        Child(["/nonexistent/python"], limit_s=1.0, steady_s=0.0)


def test_no_descriptor_is_left() -> None:
    """Twenty children later as many files are open as before."""
    before = open_files()
    for _ in range(20):
        end_of(child("pass"))

    assert open_files() == before

"""What processes use, as Linux accounts for it in /proc."""

import contextlib
import os
import pathlib
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

SETTLED_S = 4.0
BUSY_S = 0.002
"""CPU in a tenth of a second that is more than waiting costs."""
NOBODY = "65534"
"""A user without files of its own."""
CLEARBORE = """\
import sys
sys.argv = ["clearbore", *sys.argv[1:]]
from daemon.cli import group
group(standalone_mode=False)
peak, = (line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(peak.split()[1])
"""
"""A command of Clearbore, and last on standard output its peak resident memory in KB (VmHWM)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Usage:
    """What a process has used so far."""

    at_s: float
    cpu_s: float
    wakeups: int


def usage_of(pid: int) -> Usage:
    """Sums over the threads of a process."""
    cpu_ns = wakeups = 0
    for task in pathlib.Path(f"/proc/{pid}/task").iterdir():
        cpu_ns += int((task / "schedstat").read_text().split()[0])
        found = re.search(r"^voluntary_ctxt_switches:\s+(\d+)", (task / "status").read_text(), re.MULTILINE)
        wakeups += int(found[1]) if found else 0
    return Usage(at_s=time.monotonic(), cpu_s=cpu_ns / 1e9, wakeups=wakeups)


def rss_mb(pid: int) -> float:
    """Resident memory of a process."""
    status = pathlib.Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


def as_a_service() -> tuple[str, ...]:
    """What to put before a command so that it runs as a user who is not root, as the service does (setpriv(1)).

    SQLite run by root sets the owner of the log at each opening, which costs the card a commit of its journal; files of
    root's are within reach all the same. Nothing where we are not root ourselves.
    """
    if os.geteuid() != 0:
        return ()
    reach = "+dac_override,+dac_read_search"
    return (
        "setpriv",
        "--reuid",
        NOBODY,
        "--regid",
        NOBODY,
        "--clear-groups",
        "--inh-caps",
        reach,
        "--ambient-caps",
        reach,
    )


@contextlib.contextmanager
def process(
    *words: str, log: pathlib.Path | None = None, before: Sequence[str] = ()
) -> Iterator[subprocess.Popen[str]]:
    """A Python process that does not outlive the block; `before` stands before the interpreter."""
    with contextlib.ExitStack() as stack:
        errors = subprocess.DEVNULL if log is None else stack.enter_context(log.open("a"))
        started = subprocess.Popen([*before, sys.executable, *words], stdout=subprocess.PIPE, stderr=errors, text=True)
        try:
            yield started
        finally:
            started.kill()
            started.wait()
            if started.stdout:
                started.stdout.close()


def settled_cpu(pid: int, action: threading.Thread) -> tuple[float, float]:
    """CPU seconds that a process uses from the action's start until it has come to rest, and how long it was busy."""
    start = last = usage_of(pid)
    busy_until_s = start.at_s
    action.start()
    while action.is_alive() or last.at_s - busy_until_s < SETTLED_S:
        time.sleep(0.1)
        now = usage_of(pid)
        if now.cpu_s - last.cpu_s > BUSY_S:
            busy_until_s = now.at_s
        last = now
    return last.cpu_s - start.cpu_s, busy_until_s - start.at_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What a command took: seconds from start to exit, and peak resident memory."""

    wall_s: float
    peak_mb: float


def cost_of(*words: str) -> Cost:
    """Run a command and see what it takes.

    Raises:
        subprocess.CalledProcessError: it failed.
    """
    start_s = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", CLEARBORE, *words], capture_output=True, text=True, check=True)
    return Cost(wall_s=time.perf_counter() - start_s, peak_mb=int(done.stdout.split()[-1]) / 1024)


def cpu_s(action: Callable[[], object]) -> float:
    """CPU seconds of one call: user and system time of this process, all threads; os.times counts in steps of 10 ms."""
    before_s = time.process_time()
    action()
    return time.process_time() - before_s

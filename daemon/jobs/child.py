"""A job as a process of its own, with a time limit, that nobody ever waits for. For the always-on process."""

import contextlib
import os
import signal
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass

WORDS_KEPT = 300
_TAIL_BYTES = 8_192
_GRACE_S = 10.0
_STOP_S = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a child ended: its exit code (negative: by which signal), its last words, whether its time was over."""

    code: int
    words: str
    late: bool


class Child:
    """A running child, in a process group of its own so that all of it can be ended.

    Args:
        command: program and arguments.
        limit_s: how long it may run.
        steady_s: now, on the monotonic clock.

    Raises:
        OSError: it cannot be started.
    """

    def __init__(self, command: Sequence[str], *, limit_s: float, steady_s: float) -> None:
        self._process = subprocess.Popen(  # noqa: S603 - this interpreter and a module of ours, no shell
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )
        self._limit_s = limit_s
        self._end_s = steady_s + limit_s
        self._asked = False
        self._tail = b""
        if self._process.stderr is not None:
            os.set_blocking(self._process.stderr.fileno(), False)

    @property
    def pid(self) -> int:
        """Its process id."""
        return self._process.pid

    def poll(self, *, steady_s: float) -> Ended | None:
        """Look after it without waiting: None while it runs."""
        self._listen()
        code = self._process.poll()
        if code is None:
            self._watch_the_time(steady_s)
            return None
        return self._ended(code)

    def stop(self) -> None:
        """End it now, because the collector stops; its work is done at the next start."""
        self._signal(signal.SIGTERM)
        try:
            self._process.wait(_STOP_S)
        except subprocess.TimeoutExpired:
            self._signal(signal.SIGKILL)
            with contextlib.suppress(subprocess.TimeoutExpired):  # one that hangs in the disk dies when that answers
                self._process.wait(_STOP_S)
        self._ended(0)

    def _ended(self, code: int) -> Ended:
        """Close what is open, and say how it ended."""
        self._listen()
        if self._process.stderr is not None:
            self._process.stderr.close()
        return Ended(code=code, words=self._words(code), late=self._asked)

    def _watch_the_time(self, steady_s: float) -> None:
        """Ask it to end when its time is over, and make it end if it does not."""
        if steady_s >= self._end_s + _GRACE_S:
            self._signal(signal.SIGKILL)
        elif steady_s >= self._end_s and not self._asked:
            self._asked = True
            self._signal(signal.SIGTERM)

    def _signal(self, number: signal.Signals) -> None:
        """Send a signal to the child and whatever it has started."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, number)

    def _listen(self) -> None:
        """Take in what it says, of which the end is kept; a child that says much is never held up for long."""
        stream = self._process.stderr
        while stream is not None and not stream.closed:
            try:
                said = os.read(stream.fileno(), 65_536)
            except BlockingIOError:
                return
            if not said:
                return
            self._tail = (self._tail + said)[-_TAIL_BYTES:]

    def _words(self, code: int) -> str:
        """Its last line; how it ended where it said nothing, or was ended."""
        if self._asked:
            return f"not done within {self._limit_s / 60:g} minutes, and ended"
        lines = [line for line in self._tail.decode("utf-8", "replace").splitlines() if line.strip()]
        if code < 0:
            name = signal.Signals(-code).name if -code in set(signal.Signals) else str(-code)
            return f"ended by {name}" + (", as when memory runs out" if -code == signal.SIGKILL else "")
        return lines[-1].strip()[:WORDS_KEPT] if lines else f"exit code {code}"

"""A simulated pulse counter on a pseudo-terminal, for the demo and the tests: no hardware, no root.

What it sends depends on the number of the line alone, so that two runs of one rig send the same lines: line i carries
the uptime i x period and the pulses that the set rates give up to then. Only when a line leaves is real time.
"""

import contextlib
import os
import pathlib
import threading
import tty
from collections.abc import Sequence
from typing import Self

from daemon import clock, wire


class Rig:
    """A counter with one channel for each rate, counting while it runs.

    Args:
        rates_hz: pulses a second by channel, from channel 1.
        period_ms: time between lines, real and told.
        link: path of a symbolic link to the port, which outlives an unplugging as a by-id name does.
        start_counts: where the counters start (default 0).
        bits: width of the counters, 16 or 32.

    Use it as a context manager, or call `start` and `stop`.
    """

    def __init__(
        self,
        rates_hz: Sequence[float],
        *,
        period_ms: int = 1000,
        link: pathlib.Path | None = None,
        start_counts: Sequence[int] = (),
        bits: int = 32,
    ) -> None:
        self._rates_hz = list(rates_hz)
        self._period_ms = period_ms
        self._link = link
        self._modulus = 1 << bits
        self._start = [float(count) for count in start_counts] or [0.0] * len(self._rates_hz)
        self._pulses = list(self._start)
        self._line = 0
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._ends: tuple[int, int] | None = None
        self.lost_lines = 0

    @property
    def port(self) -> str:
        """Path to open: the link if there is one, else the terminal's own name."""
        if self._link is not None:
            return str(self._link)
        if self._ends is None:
            raise ValueError("the rig is not plugged in: call start() or plug()")
        return os.ttyname(self._ends[1])

    @property
    def counts(self) -> tuple[int, ...]:
        """Counts as of the last line sent."""
        with self._lock:
            return self._counts_now()

    @property
    def uptime_ms(self) -> int:
        """Uptime as of the last line sent."""
        with self._lock:
            return self._line * self._period_ms

    def start(self) -> None:
        """Plug in and start sending."""
        self.plug()
        self._stopping.clear()
        self._thread = threading.Thread(target=self._run, name="rig", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop sending and unplug; lines not yet read are lost, as with a pulled cable."""
        self.pause()
        self.unplug()

    def pause(self) -> None:
        """Stop sending but stay plugged in, so that what was sent can still be read."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def plug(self) -> None:
        """Open a new terminal and point the link at it."""
        with self._lock:
            if self._ends is not None:
                return
            master, slave = os.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            self._ends = (master, slave)
            if self._link is not None:
                fresh = self._link.with_name(f"{self._link.name}.new")
                fresh.symlink_to(os.ttyname(slave))
                fresh.replace(self._link)

    def unplug(self) -> None:
        """Take the terminal away; the counter keeps counting."""
        with self._lock:
            if self._ends is None:
                return
            for end in self._ends:
                os.close(end)
            self._ends = None
            if self._link is not None:
                self._link.unlink(missing_ok=True)

    def restart_counter(self) -> None:
        """Begin again at uptime 0 and count 0, as after a power cut."""
        with self._lock:
            self._line = 0
            self._pulses = [0.0] * len(self._rates_hz)

    def set_rate(self, channel: int, rate_hz: float) -> None:
        """Change what a channel counts, from the next line on; channels count from 1."""
        with self._lock:
            self._rates_hz[channel - 1] = rate_hz

    def send_line(self) -> bytes:
        """Count one period on and send the line now; a line that does not fit the terminal's buffer is lost."""
        with self._lock:
            line = self._next_line()
            self._send(line)
            return line

    def send_raw(self, data: bytes) -> None:
        """Send bytes that are no line: noise, a torn line."""
        with self._lock:
            self._send(data)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _counts_now(self) -> tuple[int, ...]:
        return tuple(int(pulses) % self._modulus for pulses in self._pulses)

    def _next_line(self) -> bytes:
        self._line += 1
        period_s = self._period_ms / 1000
        self._pulses = [
            pulses + rate_hz * period_s for pulses, rate_hz in zip(self._pulses, self._rates_hz, strict=True)
        ]
        return wire.encode(uptime_ms=self._line * self._period_ms, counts=self._counts_now())

    def _send(self, data: bytes) -> None:
        if self._ends is None:
            self.lost_lines += 1
            return
        sent = 0
        with contextlib.suppress(BlockingIOError):
            sent = os.write(self._ends[0], data)
        self.lost_lines += sent < len(data)

    def _run(self) -> None:
        """A line each period, without drift."""
        due_s = clock.monotonic_s()
        while True:
            due_s += self._period_ms / 1000
            if self._stopping.wait(max(0.0, due_s - clock.monotonic_s())):
                return
            self.send_line()

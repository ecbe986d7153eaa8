"""Pulse counters on a serial port: opened by path, read in chunks, reopened for ever."""

import contextlib
import errno
import os
import termios

import serial

from daemon import clock
from daemon.inbox import Inbox, Item
from daemon.plan import PortPlan
from daemon.readings import Arrival, Reading, Rejected, shown
from daemon.sources.backoff import Backoff
from daemon.sources.source import Source
from daemon.wire import Decoder, Sentence

WAIT_S = 1.0
"""A read without data returns after this, to look whether to stop."""
GATHER_S = 0.2
"""After the first byte, time for the rest of the line (and other lines) to come in: one wake-up instead of many."""
MOST_AT_ONCE = 1 << 20

LOST = (serial.SerialException, OSError, termios.error)
"""What an unplugged port raises, depending on the call that notices."""

_WORDS = {
    errno.ENOENT: "no such port: is the counter plugged in?",
    errno.ENXIO: "no device behind this port: is the counter plugged in?",
    errno.EACCES: "no permission to open the port: add the user to the group that owns it (often dialout)",
    errno.EAGAIN: "another program has the port open",
    errno.EBUSY: "another program has the port open",
    errno.ENOTTY: "this is no serial port",
    errno.EISDIR: "this is no serial port",
}


class SerialPortSource(Source):
    """Reads one port; channels that no meter claims are ignored."""

    def __init__(self, plan: PortPlan, bits: dict[str, int], inbox: Inbox) -> None:
        super().__init__(f"serial:{plan.name}", plan.port, inbox)
        self._plan = plan
        self._meters = {channel: (meter, (1 << bits[meter]) - 1) for channel, meter in plan.channels}

    def _run(self) -> None:
        backoff = Backoff()
        while not self._stopping.is_set():
            try:
                with self._opened() as port:
                    self._say(up=True, words="port open")
                    self._read_until_lost(port, backoff)
            except LOST as error:
                self._say(up=False, words=self._words(error))
                self._wait_for_port(backoff.next_s())

    def _opened(self) -> serial.Serial:
        """The port, for us alone; the line that resets many boards at close is let go."""
        port = serial.Serial(self._plan.port, self._plan.baud, timeout=WAIT_S, exclusive=True)
        with contextlib.suppress(termios.error):
            attributes = termios.tcgetattr(port.fileno())
            attributes[2] &= ~termios.HUPCL
            termios.tcsetattr(port.fileno(), termios.TCSANOW, attributes)
        return port

    def _read_until_lost(self, port: serial.Serial, backoff: Backoff) -> None:
        """Read chunks until asked to stop; what the kernel holds by then is read too."""
        decoder = Decoder()
        while not self._stopping.is_set():
            first = port.read(1)
            if first:
                self._stopping.wait(GATHER_S)
                self._take(decoder, first + self._waiting(port))
                backoff.reset()
        self._take(decoder, self._waiting(port))

    def _waiting(self, port: serial.Serial) -> bytes:
        """All bytes that wait in the kernel."""
        chunks: list[bytes] = []
        size = 0
        while size < MOST_AT_ONCE and (count := port.in_waiting):
            chunks.append(port.read(count))
            size += len(chunks[-1])
        return b"".join(chunks)

    def _take(self, decoder: Decoder, data: bytes) -> None:
        """Hand on what the bytes complete."""
        arrival_ms = round(clock.monotonic_s() * 1000)
        items: list[Item] = []
        for event in decoder.feed(data):
            if isinstance(event, Sentence):
                items += self._items(event, arrival_ms)
            else:
                items.append(Rejected(source=self.name, reason=event.reason, line=shown(event.line)))
        self._inbox.offer(items)

    def _items(self, sentence: Sentence, arrival_ms: int) -> list[Item]:
        """A sentence as readings of the meters on its channels."""
        readings: list[Reading] = []
        rejected: list[Item] = []
        pairs = zip(sentence.counts, sentence.rejected, strict=True)
        for channel, (count, edges) in enumerate(pairs, sentence.first_channel):
            meter, most = self._meters.get(channel, (None, 0))
            if meter is None:
                continue
            if count > most:
                reason = f"count beyond the {most.bit_length()} bits of this meter"
                rejected.append(Rejected(source=self.name, reason=reason, line=f"channel {channel}: {count}"))
                continue
            readings.append(
                Reading(meter=meter, count=count, uptime_ms=sentence.uptime_ms, arrival_ms=arrival_ms, edges=edges)
            )
        return [Arrival(source=self.name, readings=tuple(readings)), *rejected]

    def _words(self, error: Exception) -> str:
        """Why the port cannot be used, for people."""
        number = getattr(error, "errno", None)
        if number in _WORDS:
            return _WORDS[number]
        if not os.path.exists(self._plan.port):  # noqa: PTH110 - pathlib raises on a loop of links, this does not
            return "port gone: unplugged?"
        if "Could not configure port" in str(error):  # raised without the number
            return _WORDS[errno.ENOTTY]
        if "multiple access" in str(error) or number == errno.EIO:
            return "port lost: unplugged, or another program reads it too"
        return f"port cannot be read: {error}"

    def _wait_for_port(self, wait_s: float) -> None:
        """Wait before the next try, but no longer than until a missing port is back."""
        missing = not os.path.exists(self._plan.port)  # noqa: PTH110 - as above
        until_s = clock.monotonic_s() + wait_s
        while not self._stopping.wait(min(1.0, max(0.0, until_s - clock.monotonic_s()))):
            back = missing and os.path.exists(self._plan.port)  # noqa: PTH110 - as above
            if back or clock.monotonic_s() >= until_s:
                return

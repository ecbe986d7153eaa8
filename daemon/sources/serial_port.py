"""Pulse counters and gauges on a serial port: opened by path, read in chunks, reopened for ever."""

import contextlib
import errno
import fcntl
import os
import termios
from collections.abc import Iterator

import serial

from daemon import clock
from daemon.inbox import Inbox, Item
from daemon.plan import PortPlan
from daemon.readings import Arrival, GaugeValue, Reading, Rejected, shown
from daemon.sources.backoff import Backoff
from daemon.sources.line_quality import LineQuality, Quality
from daemon.sources.port_users import other_users
from daemon.sources.source import Source
from daemon.wire import Decoder, Event, Garbage, Sentence, Values

WAIT_S = 1.0
"""A read without data returns after this, to look whether to stop."""
GATHER_S = 1.5
"""After the first byte, time for the rest of the line and for more lines to come in: few wake-ups instead of many."""
MOST_AT_ONCE = 1 << 20
LOOK_AGAIN_S = 10.0
"""While another program takes bytes, how often to look whether it still does: a look costs some milliseconds."""

LOST = (serial.SerialException, OSError, termios.error)
"""What an unplugged port raises, depending on the call that notices."""

TAKEN = "another program has the port open"
USELESS = (Quality.NOISE, Quality.FOREIGN)
"""What comes of a port that gives nothing to read."""

_WORDS = {
    errno.ENOENT: "no such port: is the counter plugged in?",
    errno.ENXIO: "no device behind this port: is the counter plugged in?",
    errno.EACCES: "no permission to open the port: add the user to the group that owns it (often dialout)",
    errno.EAGAIN: TAKEN,
    errno.EBUSY: TAKEN,
    errno.ENOTTY: "this is no serial port",
    errno.EISDIR: "this is no serial port",
}


class SerialPortSource(Source):
    """Reads one port; channels that no meter claims are ignored."""

    def __init__(self, plan: PortPlan, bits: dict[str, int], inbox: Inbox) -> None:
        super().__init__(f"serial:{plan.name}", plan.port, inbox)
        self._plan = plan
        self._takers: set[str] = set()
        self._look_again_s = 0.0
        self._gauges = {gauge.channel: gauge for gauge in plan.gauges}
        self._meters = {channel: (meter, (1 << bits[meter]) - 1) for channel, meter in plan.channels}

    def _run(self) -> None:
        backoff = Backoff()
        while not self._stopping.is_set():
            try:
                with self._opened() as port:
                    self._say(up=True, words=self._open_words())
                    self._read_until_lost(port, backoff)
            except LOST as error:
                self._say_lost(error)
                self._wait_for_port(backoff.next_s())

    @contextlib.contextmanager
    def _opened(self) -> Iterator[serial.Serial]:
        """The port, for us alone as far as the system can have it so."""
        with serial.Serial(self._plan.port, self._plan.baud, timeout=WAIT_S, exclusive=True) as port:
            _keep_line_at_close(port)
            with contextlib.suppress(OSError):
                fcntl.ioctl(port, termios.TIOCEXCL)  # the lock of `exclusive` keeps out only those who ask for it too
            try:
                yield port
            finally:
                # else whoever has the port open beside us would keep us out of it
                with contextlib.suppress(*LOST):
                    fcntl.ioctl(port, termios.TIOCNXCL)

    def _read_until_lost(self, port: serial.Serial, backoff: Backoff) -> None:
        """Read chunks until asked to stop; what the kernel holds by then is read too."""
        decoder, quality = Decoder(), LineQuality()
        try:
            while not self._stopping.is_set():
                first = port.read(1)
                if first and self._take(decoder, quality, first + self._rest(port)):
                    backoff.reset()
            self._take(decoder, quality, self._waiting(port))
        except LOST:
            self._hand_on(decoder.give_up())
            raise

    def _rest(self, port: serial.Serial) -> bytes:
        """What comes within a short while after a first byte."""
        self._stopping.wait(GATHER_S)
        return self._waiting(port)

    def _waiting(self, port: serial.Serial) -> bytes:
        """All bytes that wait in the kernel; a port that is lost meanwhile still gives what it gave."""
        held = bytearray()
        with contextlib.suppress(*LOST):  # the next read raises it again
            while len(held) < MOST_AT_ONCE and (count := port.in_waiting):
                held += port.read(count)
        return bytes(held)

    def _take(self, decoder: Decoder, quality: LineQuality, data: bytes) -> bool:
        """Hand on what the bytes complete, and tell what they say about the port; whether a sentence was among it."""
        events = decoder.feed(data)
        self._hand_on(events)
        lines = [not isinstance(event, Garbage) for event in events]
        good = any(lines)
        before = quality.now
        now = quality.take(data, lines)
        if now is not before:
            self._say(up=now not in USELESS, words=self._quality_words(now))
        elif good and self._takers and clock.monotonic_s() >= self._look_again_s:
            self._look_again_s = clock.monotonic_s() + LOOK_AGAIN_S
            self._say(up=True, words=self._open_words())
        return good

    def _hand_on(self, events: list[Event]) -> None:
        """Sentences as readings, garbage as rejected, all into the inbox."""
        arrival_ms = round(clock.monotonic_s() * 1000)
        items: list[Item] = []
        for event in events:
            if isinstance(event, Sentence):
                items += self._items(event, arrival_ms)
            elif isinstance(event, Values):
                items += self._values(event, arrival_ms)
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

    def _values(self, said: Values, arrival_ms: int) -> list[Item]:
        """A sentence of values as those of the gauges on its channels."""
        values: list[GaugeValue] = []
        rejected: list[Item] = []
        for channel, value in enumerate(said.values, said.first_channel):
            gauge = self._gauges.get(channel)
            if gauge is None or value is None:
                continue
            if not gauge.least <= value <= gauge.most:
                reason = f"{gauge.gauge}: value that cannot be"
                rejected.append(Rejected(source=self.name, reason=reason, line=f"channel {channel}: {value:g}"))
                continue
            values.append(GaugeValue(gauge=gauge.gauge, value=value, arrival_ms=arrival_ms))
        return [Arrival(source=self.name, readings=(), values=tuple(values)), *rejected]

    def _open_words(self) -> str:
        """An open port; if bytes were taken from us, who did it, as long as he has the port open."""
        self._takers &= set(other_users(self._plan.port)) if self._takers else set()
        if not self._takers:
            return "port open"
        return f"port open, but another program reads it too and takes bytes away: {', '.join(sorted(self._takers))}"

    def _quality_words(self, quality: Quality) -> str:
        """What comes out of the port, and what to do about it."""
        if quality is Quality.NOISE:
            return f"nothing but noise at {self._plan.baud} baud: write the baud rate that the counter sends at"
        if quality is Quality.FOREIGN:
            return "text comes in, but no sentence of a pulse counter: is this the right device?"
        if quality is Quality.DAMAGED:
            self._takers |= set(other_users(self._plan.port))
            if not self._takers:
                return "many lines are damaged: check cable, plug and earth"
        return self._open_words()

    def _say_lost(self, error: Exception) -> None:
        """Say why the port cannot be used; bytes taken by another reader look like a port that is gone."""
        others = other_users(self._plan.port)
        if others and "multiple access" in str(error):
            self._takers |= set(others)
            self._say(up=True, words=self._open_words())
            return
        words = self._words(error)
        self._say(up=False, words=f"{words}: {', '.join(others)}" if others and words == TAKEN else words)

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


def _keep_line_at_close(port: serial.Serial) -> None:
    """Leave the line that resets many boards as it is when the port is closed."""
    with contextlib.suppress(termios.error):
        attributes = termios.tcgetattr(port.fileno())
        attributes[2] &= ~termios.HUPCL
        termios.tcsetattr(port.fileno(), termios.TCSANOW, attributes)

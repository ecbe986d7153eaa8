"""A serial source under test: start it on a port, and see what it brings."""

import contextlib
from collections.abc import Iterator

from daemon.inbox import Inbox
from daemon.plan import PortPlan
from daemon.readings import Reading
from daemon.sources.serial_port import SerialPortSource


class Reader:
    """A running source with all that it has brought so far."""

    def __init__(self, port: str, *, bits: int = 32) -> None:
        self._inbox = Inbox()
        plan = PortPlan(name="bench", port=port, baud=38400, channels=((1, "M1"), (2, "M2")))
        self.source = SerialPortSource(plan, {"M1": bits, "M2": bits}, self._inbox)
        self.readings: list[Reading] = []
        self.reasons: list[str] = []
        self.states: list[tuple[bool, str]] = []

    def gather(self) -> None:
        """Take in what has come."""
        batch = self._inbox.empty()
        self.readings += [reading for arrival in batch.arrivals for reading in arrival.readings]
        self.reasons += [item.reason for item in batch.rejected]
        self.states += [(change.up, change.words) for change in batch.changes]

    def counts(self, meter: str = "M1") -> list[int]:
        """Counts of a meter so far."""
        self.gather()
        return [reading.count for reading in self.readings if reading.meter == meter]

    def says(self, words: str) -> bool:
        """Whether the last state holds these words."""
        self.gather()
        return bool(self.states) and words in self.states[-1][1]

    def is_down(self) -> bool:
        """Whether the port cannot be read, for whatever reason."""
        self.gather()
        return bool(self.states) and not self.states[-1][0]


@contextlib.contextmanager
def reading(port: str, *, bits: int = 32) -> Iterator[Reader]:
    """Start a source, and stop it at the end."""
    reader = Reader(port, bits=bits)
    reader.source.start()
    try:
        yield reader
    finally:
        reader.source.ask_to_stop()
        assert reader.source.join(10)

"""A serial source under test: start it on a port, and see what it brings."""

import contextlib
from collections.abc import Iterator

from daemon.inbox import Inbox
from daemon.plan import GaugeChannelPlan, PortPlan
from daemon.sources.serial_port import SerialPortSource
from tests.support.source_hearing import Hearing

GAUGES = (GaugeChannelPlan(gauge="mains", channel=2, least=0.0, most=10_000.0),)


class Reader(Hearing):
    """A running source with all that it has brought so far."""

    def __init__(self, port: str, *, bits: int = 32) -> None:
        inbox = Inbox()
        super().__init__(inbox)
        plan = PortPlan(name="bench", port=port, baud=38400, channels=((1, "M1"), (2, "M2")), gauges=GAUGES)
        self.source = SerialPortSource(plan, {"M1": bits, "M2": bits}, inbox)

    @property
    def reasons(self) -> list[str]:
        """Why lines were turned away, so far."""
        return [reason for reason, _line in self.rejected]

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

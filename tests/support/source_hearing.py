"""What a source under test has brought so far."""

from daemon.inbox import Inbox
from daemon.readings import GaugeValue, Reading


class Hearing:
    """What has come into an inbox.

    Attributes:
        readings, values: all of them, oldest first.
        rejected: reason and text of what was turned away.
        states: whether the source was up, and its words, at each change.
    """

    def __init__(self, inbox: Inbox) -> None:
        self._inbox = inbox
        self.readings: list[Reading] = []
        self.values: list[GaugeValue] = []
        self.rejected: list[tuple[str, str]] = []
        self.states: list[tuple[bool, str]] = []

    def gather(self) -> None:
        """Take in what has come."""
        batch = self._inbox.empty()
        self.readings += [reading for arrival in batch.arrivals for reading in arrival.readings]
        self.values += [value for arrival in batch.arrivals for value in arrival.values]
        self.rejected += [(item.reason, item.line) for item in batch.rejected]
        self.states += [(change.up, change.words) for change in batch.changes]

    def counts(self, meter: str = "M1") -> list[int]:
        """Counts of a meter so far."""
        self.gather()
        return [reading.count for reading in self.readings if reading.meter == meter]

    def shown(self, gauge: str) -> list[float]:
        """Values of a gauge so far."""
        self.gather()
        return [value.value for value in self.values if value.gauge == gauge]

    def says(self, words: str) -> bool:
        """Whether the last state holds these words."""
        self.gather()
        return bool(self.states) and words in self.states[-1][1]

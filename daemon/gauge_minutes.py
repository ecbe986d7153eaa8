"""Values of gauges into rows of minutes: each in the minute that it arrived in.

A device tells no time with a value, and a broker may hand on at once what it kept for hours. So of values that come
within half a second the last one stands for all, as with counts without uptime (daemon.dating).
"""

from collections.abc import Mapping
from dataclasses import dataclass

from daemon.dating import BURST_MS
from daemon.minutes import MINUTE_MS
from daemon.readings import GaugeValue
from daemon.store.gauge_rows import GaugeRow, joined


@dataclass(slots=True)
class _Held:
    """The last value of a gauge, which the next one may yet stand for, and when it came."""

    value: float
    arrival_ms: int
    at_ms: int


class GaugeBook:
    """Gathers values into rows until they are taken.

    Args:
        numbers: of the gauges in the database, by name.
    """

    def __init__(self, numbers: Mapping[str, int]) -> None:
        self._numbers = dict(numbers)
        self._held: dict[str, _Held] = {}
        self._latest: dict[str, float] = {}
        self._open: dict[tuple[int, int], GaugeRow] = {}

    @property
    def count(self) -> int:
        """How many gauges there are."""
        return len(self._numbers)

    def add(self, value: GaugeValue, *, wall_minus_steady_ms: int) -> bool:
        """Take a value in; False if it stands for one that came just before it, or is that one sent again.

        Args:
            value: as it arrived.
            wall_minus_steady_ms: UTC epoch ms less the monotonic clock; 0 while the time is not known.
        """
        latest, self._latest[value.gauge] = self._latest.get(value.gauge), value.value
        if value.again and value.value == latest:
            return False
        held = self._held.get(value.gauge)
        if held is not None and 0 <= value.arrival_ms - held.arrival_ms < BURST_MS:
            held.value = value.value
            return False
        self._settle(value.gauge)
        self._held[value.gauge] = _Held(value.value, value.arrival_ms, value.arrival_ms + wall_minus_steady_ms)
        return True

    def take(self, *, before_minute: int | None = None) -> list[GaugeRow]:
        """Remove and return the rows of all minutes before this one (all rows without it), in order."""
        for gauge, held in list(self._held.items()):
            if before_minute is None or held.at_ms // MINUTE_MS < before_minute:
                self._settle(gauge)
        keys = sorted(key for key in self._open if before_minute is None or key[0] < before_minute)
        return [self._open.pop(key) for key in keys]

    def _settle(self, gauge: str) -> None:
        """Put the value that is held of a gauge into the row of its minute."""
        held = self._held.pop(gauge, None)
        if held is not None:
            key = (held.at_ms // MINUTE_MS, self._numbers[gauge])
            row = GaugeRow(*key, mean=held.value, sd=None, samples=1)
            self._open[key] = joined(self._open[key], row) if key in self._open else row

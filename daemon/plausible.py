"""The gate for counts: one that rises faster than any meter turns is believed only when the next one agrees. Pure.

A damaged count would be flow that nobody had. So a reading that cannot follow the last one is held back. If the next
reading follows the last good one, the one held back was damaged; if it follows the one held back, the counter itself
jumped: it began anew, or was replaced.
"""

import dataclasses
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from daemon.minutes import MOST_HZ
from daemon.readings import Dated, LastReading

LEAST_MS = 1_000
"""Readings closer than this may differ by as much as if they were this far apart."""


@dataclass(slots=True, kw_only=True)
class _Meter:
    """The last reading that was let through, and one that was held back."""

    modulus: int
    good: Dated | None = None
    held: Dated | None = None


class Gate:
    """Lets the readings of all meters through, or holds them back.

    Attributes:
        refused: readings held back and then found damaged, since the last call of `take_refused`.

    Args:
        bits: width of the counter, by meter.
        remembered: last readings of an earlier run, of meters whose device tells its uptime.
    """

    def __init__(self, bits: Mapping[str, int], remembered: Mapping[str, LastReading] | None = None) -> None:
        last = remembered or {}
        self._meters = {
            name: _Meter(modulus=1 << width, good=_dated(name, last[name]) if name in last else None)
            for name, width in bits.items()
        }
        self.refused: list[Dated] = []

    def let_through(self, readings: Iterable[Dated], *, uptime_told: Iterable[str] = ()) -> list[Dated]:
        """Those that are believed, in order.

        Args:
            readings: dated, in order for each meter.
            uptime_told: meters whose device tells its uptime. Of those, a jump that stays is known to be no count of
                pulses, and its reading is marked as a restart; of others it may be a backlog that came in two parts.
        """
        told = set(uptime_told)
        return [good for reading in readings for good in self._look(reading, told=reading.meter in told)]

    def take_refused(self) -> list[Dated]:
        """What was found damaged since the last call."""
        refused, self.refused = self.refused, []
        return refused

    def close(self) -> None:
        """No reading will come to confirm those that are held back: they are refused."""
        for meter in self._meters.values():
            self._refuse(meter)

    def _look(self, reading: Dated, *, told: bool) -> list[Dated]:
        """What one more reading lets through: nothing, itself, or the one held back and itself."""
        meter = self._meters[reading.meter]
        if meter.good is None or reading.restarted or _follows(meter.good, reading, meter.modulus):
            self._refuse(meter)
            meter.good = reading
            return [reading]
        held = meter.held
        if held is None or not _follows(held, reading, meter.modulus):
            self._refuse(meter)
            meter.held = reading
            return []
        meter.good, meter.held = reading, None
        return [dataclasses.replace(held, restarted=told), reading]

    def _refuse(self, meter: _Meter) -> None:
        """The reading held back, if there is one, was damaged."""
        if meter.held is not None:
            self.refused.append(meter.held)
            meter.held = None


def _dated(meter: str, last: LastReading) -> Dated:
    """The last reading of an earlier run as one of this."""
    return Dated(meter=meter, count=last.count, at_ms=last.at_ms, steady_ms=last.uptime_ms, restarted=False)


def _follows(before: Dated, after: Dated, modulus: int) -> bool:
    """Whether a counter can have got from one count to the other in the time, over a wrap or not."""
    elapsed_ms = max(after.steady_ms - before.steady_ms, LEAST_MS)
    return (after.count - before.count) % modulus * 1000 <= MOST_HZ * elapsed_ms

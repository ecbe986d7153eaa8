"""The frames that cross the border between the store and the analysis."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.events import MAINTENANCE_VALUES, Event, EventKind

__all__ = ["HOUR_S", "MAINTENANCE_VALUES", "Event", "EventKind", "Floats", "HourFrame", "Ints"]

HOUR_S = 3600

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """The hours of a frame in P parts of equal length.

    Attributes:
        pulses, seconds: [T, P, M] counted while the pump ran, and the time that was; none where nothing is known.
        known_at_s: [T, P] UTC epoch seconds from which on no later reading can change a part or those before it.
    """

    pulses: Floats
    seconds: Floats
    known_at_s: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeHours:
    """What G gauges showed in the hours of a frame: their names, and [T, G] in Pa or W, nan where unknown."""

    names: tuple[str, ...]
    shown: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class HourFrame:
    """Hours of metered pulses, one row an hour without holes.

    Attributes:
        start_s: UTC epoch seconds of the first hour, a multiple of 3600.
        meters: names, in column order.
        rate: [T, M] pulses a second while the pump ran; nan where unknown (not covered, or the pump was off).
        seconds: [T, M] seconds behind each rate.
        off_s: [T] seconds of the hour in which the pump was recognised as stopped.
        parts: the same hours in parts, where the minutes that they come from were there.
        gauges: what gauges showed in the same hours; None for a plant without any.
    """

    start_s: int
    meters: tuple[str, ...]
    rate: Floats
    seconds: Floats
    off_s: Floats
    parts: Parts | None = None
    gauges: GaugeHours | None = None

    @property
    def hours(self) -> int:
        """Number of hours."""
        return int(self.rate.shape[0])

    @property
    def end_s(self) -> int:
        """UTC epoch seconds just after the last hour."""
        return self.start_s + self.hours * HOUR_S

    def of(self, meters: tuple[str, ...]) -> "HourFrame":
        """The hours of some of the meters, in the order given."""
        columns = [self.meters.index(meter) for meter in meters]
        parts = self.parts and replace(
            self.parts, pulses=self.parts.pulses[..., columns], seconds=self.parts.seconds[..., columns]
        )
        return replace(self, meters=meters, rate=self.rate[:, columns], seconds=self.seconds[:, columns], parts=parts)

    def until(self, hours: int) -> "HourFrame":
        """The first so many hours."""
        return self.between(0, hours)

    def between(self, first: int, end: int) -> "HourFrame":
        """The hours from the first on, up to the end and not including it."""
        wanted = slice(first, end)
        parts = self.parts and Parts(
            pulses=self.parts.pulses[wanted],
            seconds=self.parts.seconds[wanted],
            known_at_s=self.parts.known_at_s[wanted],
        )
        return HourFrame(
            start_s=self.start_s + first * HOUR_S,
            meters=self.meters,
            rate=self.rate[wanted],
            seconds=self.seconds[wanted],
            off_s=self.off_s[wanted],
            parts=parts,
            gauges=self.gauges and GaugeHours(names=self.gauges.names, shown=self.gauges.shown[wanted]),
        )

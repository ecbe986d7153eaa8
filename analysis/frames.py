"""The frames that cross the border between the store and the analysis."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.events import MAINTENANCE_VALUES, Event, EventKind

__all__ = ["HOUR_S", "MAINTENANCE_VALUES", "Event", "EventKind", "Floats", "HourFrame", "Ints"]

HOUR_S = 3600

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class HourFrame:
    """Hours of metered pulses, one row an hour without holes.

    Attributes:
        start_s: UTC epoch seconds of the first hour, a multiple of 3600.
        meters: names, in column order.
        rate: [T, M] pulses a second while the pump ran; nan where unknown (not covered, or the pump was off).
        seconds: [T, M] seconds behind each rate.
        off_s: [T] seconds of the hour in which the pump was recognised as stopped.
    """

    start_s: int
    meters: tuple[str, ...]
    rate: Floats
    seconds: Floats
    off_s: Floats

    @property
    def hours(self) -> int:
        """Number of hours."""
        return int(self.rate.shape[0])

    @property
    def end_s(self) -> int:
        """UTC epoch seconds just after the last hour."""
        return self.start_s + self.hours * HOUR_S

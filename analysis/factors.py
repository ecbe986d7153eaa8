"""The K-factors of a meter in force at a time, by the plant file and the journal. Standard library only."""

import itertools
from collections.abc import Iterable

from analysis.events import Event, EventKind
from config.plant import Meter

LITRES_PER_M3 = 1000.0
KPoints = tuple[tuple[float, float], ...]
"""(flow m3/s, pulses per litre), flow rising."""


def calibrations_of(meter: str, events: Iterable[Event]) -> list[Event]:
    """The calibrations of a meter in the journal, in order of time."""
    own = (event for event in events if event.kind is EventKind.CALIBRATION and event.target == meter)
    return sorted(own, key=lambda event: event.at_s)


def factors_of(event: Event) -> KPoints:
    """The K-factor that a calibration puts in force."""
    return ((0.0, float(event.value)),)


def factors_at(meter: Meter, events: Iterable[Event], at_s: float) -> KPoints:
    """K-factors in force: a journalled calibration supersedes the plant file from its date on."""
    known = itertools.takewhile(lambda event: event.at_s <= at_s, calibrations_of(meter.name, events))
    return next((factors_of(event) for event in reversed(list(known))), meter.k_points)

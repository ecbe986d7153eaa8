"""The pump's speed, hour by hour, as the journal tells it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.events import Event, EventKind
from analysis.frames import HOUR_S, Floats, HourFrame


@dataclass(frozen=True, slots=True)
class Speeds:
    """Speed [T], fraction, after the last entry of each hour; and whether it changed within the hour [T]."""

    after: Floats
    mixed: NDArray[np.bool_]


def speeds_of(frame: HourFrame, events: Sequence[Event], written: float) -> Speeds:
    """The speed in every hour of a frame; before the first entry of the journal it is what the plant file has written."""
    after = np.full(frame.hours, written)
    mixed = np.zeros(frame.hours, dtype=np.bool_)
    entries = [event for event in events if event.kind is EventKind.PUMP_SPEED]
    now = written
    for event in sorted(entries, key=lambda entry: entry.at_s):
        before, now = now, float(event.value) / 100.0
        hour = int((event.at_s - frame.start_s) // HOUR_S)
        after[max(hour, 0) :] = now
        if 0 <= hour < frame.hours and now != before and event.at_s > frame.start_s + hour * HOUR_S:
            mixed[hour] = True
    return Speeds(after, mixed)

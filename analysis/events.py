"""What the keeper writes down. Standard library only, so that the journal works on the base install."""

from dataclasses import dataclass
from enum import StrEnum


class EventKind(StrEnum):
    """What the journal and an events file can say."""

    PUMP_SPEED = "pump_speed"
    FEED_PAUSE = "feed_pause"
    MAINTENANCE = "maintenance"
    CALIBRATION = "calibration"


MAINTENANCE_VALUES = ("media_changed", "pump_cleaned", "valve_set", "meter_cleaned")


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that the keeper did.

    `value`: per cent of full speed, minutes of pause, one of MAINTENANCE_VALUES, or pulses per litre.
    `target`: "pump", a run's name or a meter's name.
    """

    at_s: float
    kind: EventKind
    target: str
    value: str

"""What the analysis says of a few stories of the simulated rack; each is told once, however many tests ask."""

import functools
from dataclasses import dataclass, field

from analysis.assessment import Assessment
from analysis.baseline import Baseline
from analysis.events import Event, EventKind
from analysis.frames import HOUR_S, HourFrame
from config.settings import PlantFile
from tests.support.simulated_rack import (
    DAY_H,
    HEALTHY,
    START_S,
    Truth,
    assessed,
    commissioned,
    hours_of,
    plant_file,
    ramped,
    stepped,
)

DAYS = 18
HOURS = DAYS * DAY_H
AT = 240
UNTIL = 340
SEED = 5
RAMP_H = 400


def at_s(hour: float) -> float:
    """Start of an hour of the stories, UTC epoch seconds."""
    return START_S + hour * HOUR_S


def event(hour: float, kind: EventKind, target: str, value: str) -> Event:
    """A journal entry."""
    return Event(at_s=at_s(hour), kind=kind, target=target, value=value)


def carbon_ramp(hours: int) -> Truth:
    """The carbon's losses grow straight on, by as much in every 400 hours as they were."""
    return Truth(resistance={"carbon": ramped(hours, AT, 2.0, over_h=RAMP_H)})


_CARBON_SHUT_DOWN = Truth(resistance={"carbon": stepped(HOURS, AT, 1.8, until_h=UNTIL)})
_SLOWED = Truth(speed=stepped(HOURS, AT, 0.92, until_h=UNTIL))
_NEW_MEDIA = event(UNTIL - 0.5, EventKind.MAINTENANCE, "carbon", "media_changed")
_SPEEDS = (
    event(AT, EventKind.PUMP_SPEED, "pump", "92"),
    event(UNTIL, EventKind.PUMP_SPEED, "pump", "100"),
)
STORIES: dict[str, tuple[Truth, tuple[Event, ...]]] = {
    "healthy": (HEALTHY, ()),
    "carbon clogs": (carbon_ramp(HOURS), ()),
    "uv restricted": (Truth(resistance={"uv": stepped(HOURS, AT, 1.5)}), ()),
    "uv opened": (Truth(resistance={"uv": stepped(HOURS, AT, 0.7)}), ()),
    "pump weaker": (Truth(speed=stepped(HOURS, AT, 0.96)), ()),
    "meter dead": (Truth(reading={"M2": stepped(HOURS, AT, 0.0)}), ()),
    "media changed": (_CARBON_SHUT_DOWN, (_NEW_MEDIA,)),
    "speed logged": (_SLOWED, _SPEEDS),
    "pump stopped": (Truth(off_h=frozenset(range(AT, AT + 5))), ()),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A story and all that went into its assessment."""

    rack: PlantFile
    baseline: Baseline
    frame: HourFrame
    events: tuple[Event, ...] = field(default=())
    assessment: Assessment


@functools.cache
def healthy_baseline() -> Baseline:
    """Of the first week, which is the same in all stories."""
    return commissioned(plant_file(), hours_of(plant_file(), days=DAYS, seed=SEED))


@functools.cache
def told(name: str) -> Told:
    """A story and what is said of it."""
    rack = plant_file()
    truth, events = STORIES[name]
    frame = hours_of(rack, days=DAYS, seed=SEED, truth=truth)
    baseline = healthy_baseline()
    return Told(
        rack=rack,
        baseline=baseline,
        frame=frame,
        events=events,
        assessment=assessed(rack, baseline, frame, events=events),
    )

"""What may stand in the journal, checked against the plant. Standard library only."""

import math

from analysis.events import MAINTENANCE_VALUES, Event, EventKind
from config.errors import InputUnusable
from config.plant import PUMP_NODE, Plant

MOST_SPEED_PERCENT = 150.0
SHARE_NOT_PERCENT = 1.5
"""Up to here a speed in per cent is taken for a share (0.8 for 80 %): no pump runs that slowly."""
LONGEST_PAUSE_MIN = 1440.0
MOST_PULSES_PER_LITRE = 1e6
FARTHEST_FACTOR = 10.0


class EventRefused(InputUnusable):
    """An event that cannot be; `reason` says why in a few words of a small set, the text what to write instead."""

    def __init__(self, reason: str, text: str) -> None:
        self.reason = reason
        super().__init__(text)


def make_event(plant: Plant, *, at_s: float, kind: str, target: str, value: str) -> Event:
    """An event, if it makes sense for the plant.

    Args:
        plant: whose runs and meters may be named.
        at_s: UTC epoch seconds.
        kind: one of EventKind.
        target: "pump", a run's or a meter's name.
        value: per cent of full speed, minutes of pause, one of MAINTENANCE_VALUES, or pulses per litre.

    Raises:
        EventRefused: says what is wrong and what to write.
    """
    kinds = [known.value for known in EventKind]
    if kind not in kinds:
        raise EventRefused("unknown kind", f"{kind!r} is no kind of event: write one of {', '.join(kinds)}")
    known = EventKind(kind)
    value = _value(known, value.strip())
    _check_target(plant, known, target, value)
    if known is EventKind.CALIBRATION:
        _check_factor(plant, target, value)
    return Event(at_s=at_s, kind=known, target=target, value=value)


def _value(kind: EventKind, text: str) -> str:
    """The value in the one way it is kept, so that an entry made twice is the same."""
    if kind is EventKind.MAINTENANCE:
        if text not in MAINTENANCE_VALUES:
            raise EventRefused(
                "value does not fit", f"{text!r} is no maintenance: write one of {', '.join(MAINTENANCE_VALUES)}"
            )
        return text
    if kind is EventKind.PUMP_SPEED:
        return _speed(text)
    if kind is EventKind.FEED_PAUSE:
        return _number(text, LONGEST_PAUSE_MIN, "minutes of pause")
    return _number(text, MOST_PULSES_PER_LITRE, "pulses per litre")


def _speed(text: str) -> str:
    """Per cent of full speed, and no share of it."""
    percent = _number(text.removesuffix("%").strip(), MOST_SPEED_PERCENT, "per cent of full speed")
    if float(percent) <= SHARE_NOT_PERCENT:
        raise EventRefused(
            "value does not fit",
            f"{text!r} would be {percent} per cent of full speed: write per cent, as 80 for four fifths",
        )
    return percent


def _number(text: str, most: float, meaning: str) -> str:
    """A number above 0 and up to `most`."""
    try:
        number = float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        number = math.nan
    if not 0 < number <= most:
        raise EventRefused(
            "value does not fit", f"{text!r} is not {meaning}: write a number above 0 and up to {most:g}, like 87.5"
        )
    return f"{number:.12g}"


def _check_target(plant: Plant, kind: EventKind, target: str, value: str) -> None:
    """Whether the event can happen to its target."""
    runs = [run.name for run in plant.runs]
    meters = [meter.name for meter in plant.meters]
    if kind in (EventKind.PUMP_SPEED, EventKind.FEED_PAUSE) or value == "pump_cleaned":
        fitting, noun = [PUMP_NODE], "the pump"
    elif kind is EventKind.CALIBRATION:
        fitting, noun = meters, "a meter"
    elif value == "meter_cleaned":
        fitting, noun = meters + [run.name for run in plant.runs if run.meter], "a meter"
    else:
        fitting, noun = runs, "a run"
    if target in fitting:
        return
    what = f"{kind.value} {value}" if kind is EventKind.MAINTENANCE else kind.value
    is_else = f"{target!r} is not {noun} of this plant" if noun != "the pump" else f"{target!r} is not the pump"
    raise EventRefused("target does not fit", f"{is_else}: {what} happens to {noun}, write {_choice(fitting)}")


def _check_factor(plant: Plant, target: str, value: str) -> None:
    """Whether a bucket test can have found this K-factor: no meter is ten times off its sheet."""
    factors = [k for meter in plant.meters if meter.name == target for _, k in meter.k_points]
    if not min(factors) / FARTHEST_FACTOR <= float(value) <= max(factors) * FARTHEST_FACTOR:
        raise EventRefused(
            "value does not fit",
            f"{value} pulses per litre is more than {FARTHEST_FACTOR:g} times off the plant file's figure for {target} "
            f"({factors[0]:g}): count the pulses and the litres again, or correct the plant file",
        )


def _choice(names: list[str]) -> str:
    """Names to choose from."""
    if not names:
        return "one into the plant file first"
    return names[0] if len(names) == 1 else f"one of {', '.join(names)}"

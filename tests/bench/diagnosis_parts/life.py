"""Ordinary life of a plant, hour by hour: water, mains, feed pauses, power cuts, a logger that is not always there.

Sizes are invented, in the range that hobby plants show (common practice, no source); `hard` is about twice as restless
as `standard`, with shorter commissioning, fewer meters and a pump that is run at several speeds.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from analysis.events import Event, EventKind
from analysis.frames import HOUR_S, Floats
from analysis.patience import GAP_S
from analysis.pulses import PARTS
from tests.stories.rack import sea_water_viscosity_m2s

START_S = 1_795_910_400  # 2026-11-29T00:00:00Z
DAY_H = 24
PAUSE_S = 600.0
EDGE_S = 120.0  # of a pause, in which nobody can say whether the pump ran
RESET_S = 60.0
PART_S = HOUR_S // PARTS
# Readings a minute apart make a part known for good so long after its end; behind a silence, SILENCE_S after it.
KNOWN_S = 240.0
SILENCE_S = 2.0 * GAP_S + 120.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """How restless a plant is.

    Attributes:
        restless: factor on everything that wanders. healthy_days: of commissioning. days: range of the record's length.
        speeds: range of the number of logged speed changes in any scenario.
        metering: share of the plants with all branches metered, those and the riser, all but the return, the return
            and half of the others.
    """

    name: str
    restless: float
    healthy_days: int
    days: tuple[int, int]
    speeds: tuple[int, int]
    metering: tuple[float, float, float, float]


PROFILES = {
    "standard": Profile(
        name="standard",
        restless=1.0,
        healthy_days=7,
        days=(35, 56),
        speeds=(0, 0),
        metering=(0.6, 0.15, 0.15, 0.1),
    ),
    "hard": Profile(
        name="hard", restless=2.0, healthy_days=4, days=(30, 50), speeds=(1, 4), metering=(0.3, 0.1, 0.3, 0.3)
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """What moves all branches at once, [T]; and how the speed wanders."""

    viscosity_m2s: Floats
    sump_rise_m: Floats
    speed_wander: Floats
    speed_sd: float
    speed_tau_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Logging:
    """What of each hour is known.

    Attributes:
        heard_s: [T, PARTS] seconds in which the pump ran and the readings tell of it. off_s: [T] recognised pauses.
        known_at_s: [T, PARTS] from when on no later reading can change a part, UTC epoch seconds.
        pauses_h, cuts_h, resets_h: hours in which each of them ended.
        events: journalled pauses.
    """

    heard_s: Floats
    off_s: Floats
    known_at_s: Floats
    pauses_h: tuple[int, ...]
    cuts_h: tuple[int, ...]
    resets_h: tuple[int, ...]
    events: tuple[Event, ...]


def autoregression(random: np.random.Generator, hours: int, *, sd: float, tau_h: float) -> Floats:
    """[T] stationary AR(1) of that standard deviation and time constant."""
    memory = np.exp(-1.0 / tau_h)
    kicks = sd * random.standard_normal(hours)
    kicks[1:] *= np.sqrt(1.0 - memory**2)
    path = np.empty(hours)
    value = 0.0
    for hour, kick in enumerate(kicks.tolist()):
        value = memory * value + kick
        path[hour] = value
    return path


def draw_weather(random: np.random.Generator, hours: int, restless: float) -> Weather:
    """Warmth by day, evaporation until the sump is topped up, a mains that is never quite steady."""
    hour = np.arange(hours)
    usual_c, swing_c, warmest_h = (
        25.0 + random.uniform(-1.0, 1.0),
        restless * random.uniform(0.3, 1.0),
        random.uniform(0, 24),
    )
    warmth = usual_c + swing_c * np.sin(2 * np.pi * (hour - warmest_h) / DAY_H)
    warmth = warmth + autoregression(random, hours, sd=0.25 * restless, tau_h=60.0)
    swing_m, period_h = restless * random.uniform(0.01, 0.04), random.uniform(12.0, 72.0)
    rise_m = -swing_m * ((hour / period_h + random.random()) % 1.0)
    rise_m = rise_m + autoregression(random, hours, sd=0.003 * restless, tau_h=12.0)
    sd, tau_h = restless * random.uniform(0.001, 0.0035), restless * random.uniform(6.0, 30.0)
    return Weather(
        viscosity_m2s=np.array([sea_water_viscosity_m2s(value) for value in warmth.tolist()]),
        sump_rise_m=rise_m,
        speed_wander=1.0 + autoregression(random, hours, sd=sd, tau_h=tau_h),
        speed_sd=sd,
        speed_tau_h=tau_h,
    )


def draw_logging(random: np.random.Generator, hours: int) -> Logging:
    """Two feed pauses a day on most plants, up to two power cuts, up to three resets, a gap every fortnight or so."""
    days = hours // DAY_H
    running, off = np.full(hours * PARTS, float(PART_S)), np.zeros(hours * PARTS)
    pauses_s = _pauses_s(random, days) if random.random() < 0.8 else []
    for start_s in pauses_s:
        _take(running, start_s - EDGE_S / 2, start_s + PAUSE_S + EDGE_S / 2)
        _give(off, start_s, start_s + PAUSE_S)
    cuts = [(at, at + random.uniform(1.0, 10.0) * HOUR_S) for at in _times_s(random, int(random.integers(3)), days)]
    gaps = [(at, at + random.uniform(300, 6 * HOUR_S)) for at in _times_s(random, int(random.poisson(days / 14)), days)]
    resets_s = _times_s(random, int(random.integers(4)), days)
    for start_s, end_s in [*cuts, *gaps, *((at, at + RESET_S) for at in resets_s)]:
        _take(running, start_s, end_s)
    for start_s, end_s in cuts:
        off[int(start_s // PART_S) : int(end_s // PART_S) + 1] = 0.0
    noted = random.random() < 0.5
    events = tuple(
        Event(at_s=START_S + at, kind=EventKind.FEED_PAUSE, target="pump", value=f"{PAUSE_S / 60:.0f}")
        for at in pauses_s
        if noted
    )
    return Logging(
        heard_s=running.reshape(hours, PARTS),
        off_s=off.reshape(hours, PARTS).sum(axis=1),
        known_at_s=_known_at_s(running).reshape(hours, PARTS),
        pauses_h=_hours(at + PAUSE_S for at in pauses_s),
        cuts_h=_hours(end_s for _, end_s in cuts),
        resets_h=_hours(resets_s),
        events=events,
    )


def draw_speeds(
    random: np.random.Generator, hours: int, healthy_h: int, count: int
) -> tuple[Floats, tuple[int, ...], tuple[Event, ...]]:
    """[T] speed that the keeper sets and journals, the hours at which it changes, and the journal."""
    speed = np.ones(hours)
    at = sorted(random.choice(np.arange(healthy_h + 12, hours - 48), size=count, replace=False).tolist())
    events = []
    for hour in at:
        per_cent = round(float(random.uniform(84, 97) if random.random() < 0.6 else random.uniform(98.5, 106)), 1)
        speed[hour:] = per_cent / 100.0
        events.append(Event(at_s=at_s(hour), kind=EventKind.PUMP_SPEED, target="pump", value=f"{per_cent:g}"))
    return speed, tuple(at), tuple(events)


def at_s(hour: float) -> float:
    """Start of an hour of the record, UTC epoch seconds."""
    return START_S + HOUR_S * hour


def _pauses_s(random: np.random.Generator, days: int) -> list[float]:
    morning, evening = random.uniform(8, 11), random.uniform(18, 21)
    return [
        float((DAY_H * day + at) * HOUR_S + random.normal(0, 180)) for day in range(days) for at in (morning, evening)
    ]


def _times_s(random: np.random.Generator, count: int, days: int) -> list[float]:
    """Times in the record, not in its first two days."""
    return sorted(float(at) for at in random.uniform(2.0, days - 0.5, size=count) * DAY_H * HOUR_S)


def _hours(times_s: Iterable[float]) -> tuple[int, ...]:
    return tuple(int(at // HOUR_S) for at in times_s)


def _overlap(parts: int, start_s: float, end_s: float) -> Floats:
    """[T * PARTS] seconds of each part between two times."""
    begin = PART_S * np.arange(parts, dtype=np.float64)
    seconds: Floats = np.maximum(np.minimum(begin + PART_S, end_s) - np.maximum(begin, start_s), 0.0)
    return seconds


def _known_at_s(running_s: Floats) -> Floats:
    """[T * PARTS] from when on each part is known; nobody goes back in time."""
    ends_s = START_S + PART_S * np.arange(1.0, len(running_s) + 1.0)
    silent_next = np.append(running_s[1:] == 0.0, [False])
    known: Floats = np.maximum.accumulate(ends_s + np.where(silent_next, SILENCE_S, KNOWN_S))
    return known


def _take(running_s: Floats, start_s: float, end_s: float) -> None:
    running_s -= _overlap(len(running_s), start_s, end_s)
    np.maximum(running_s, 0.0, out=running_s)


def _give(off_s: Floats, start_s: float, end_s: float) -> None:
    off_s += _overlap(len(off_s), start_s, end_s)

"""The six stories of the sample logs: what happens to the rack, hour by hour, and what the keeper wrote down.

Each is made from a fixed seed and nothing else. numpy's RandomState is used because its streams are frozen for
good (NEP 19), so that a story comes out the same on every version.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from tests.stories.counter import METERS, START, Floats, Logging, Stretch, wander, write_log
from tests.stories.rack import BRANCHES, Hour, Rack, sea_water_viscosity_m2s

DAY_H = 24
DAY_S = 86_400.0
FEEDING_H = (8.5, 19.75)  # UTC hours at which the animals are fed
FEEDING_MIN = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """What is wrong with the plant in one hour, or what the keeper set."""

    speed: float = 1.0
    fouling: float = 0.0  # share of its head that the impeller has lost
    bed_factor: dict[str, float] = field(default_factory=dict)
    valve_turn_deg: dict[str, float] = field(default_factory=dict)
    dead_meters: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """One story: `faults_at` gives what is wrong in an hour counted from the log's start.

    `noted` are the keeper's own lines, (hours from the start, kind, target, value); feed pauses are added to them
    where `pauses_noted` is true.
    """

    name: str
    seed: int
    days: int
    faults_at: Callable[[int], Faults]
    pauses_noted: bool
    noted: tuple[tuple[float, str, str, str], ...] = ()
    work: tuple[Stretch, ...] = ()
    power_cuts: tuple[Stretch, ...] = ()
    restarts_s: tuple[float, ...] = ()
    unheard: tuple[Stretch, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A story told: its log and events as text ("" where nothing was noted) and the true flows, L/min by branch."""

    log: str
    events: str
    flow_lpm: dict[str, Floats]


def tell(story: Story, *, days: int | None = None) -> Told:
    """Tell a story, or its first `days`; a shorter one is another log, for every accident is drawn anew."""
    random = np.random.RandomState(story.seed)
    days = days or story.days
    hours = days * DAY_H
    water = _water(random, hours)
    flow_lpm = {name: np.zeros(hours) for name in BRANCHES}
    gain = {meter.name: np.ones(hours) for meter in METERS}
    with Rack() as rack:
        for hour in range(hours):
            faults = story.faults_at(hour)
            for name, flow in rack.solve(_hour(water[hour], faults)).items():
                flow_lpm[name][hour] = flow
            for meter in faults.dead_meters:
                gain[meter][hour] = 0.0
    pauses = _feed_pauses(random, days)
    logging = Logging(
        days=days,
        pauses=pauses + story.work,
        power_cuts=story.power_cuts,
        restarts_s=story.restarts_s,
        unheard=story.unheard,
    )
    log = write_log(random, flow_lpm=flow_lpm, gain=gain, logging=logging)
    return Told(log=log, events=_events(story, pauses), flow_lpm=flow_lpm)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Water:
    """The plant's ordinary life in one hour."""

    temperature_c: float
    sump_rise_m: float
    speed: float


def _water(random: np.random.RandomState, hours: int) -> tuple[_Water, ...]:
    """The day's warmth, the sump falling until it is topped up, and a mains that is never quite steady."""
    hour = np.arange(hours)
    warmth = 25.5 + 0.5 * np.sin(2 * np.pi * (hour - 10) / DAY_H)
    warmth += wander(random, points=hours, sd=0.2, time_constant=60)
    level = -0.022 * ((hour / 31.0) % 1.0) + wander(random, points=hours, sd=0.002, time_constant=12)
    speed = 1 + wander(random, points=hours, sd=0.0012, time_constant=14)
    rows = zip(warmth.tolist(), level.tolist(), speed.tolist(), strict=True)
    return tuple(_Water(temperature_c=t, sump_rise_m=rise, speed=s) for t, rise, s in rows)


def _hour(water: _Water, faults: Faults) -> Hour:
    """Ordinary life and what is wrong, together."""
    return Hour(
        viscosity_m2s=sea_water_viscosity_m2s(water.temperature_c),
        sump_rise_m=water.sump_rise_m,
        speed=water.speed * faults.speed,
        head_factor=1 - faults.fouling,
        flow_factor=1 - 0.6 * faults.fouling,
        bed_factor=faults.bed_factor,
        valve_turn_deg=faults.valve_turn_deg,
    )


def _feed_pauses(random: np.random.RandomState, days: int) -> tuple[Stretch, ...]:
    starts = [day * DAY_S + hour * 3600 + random.standard_normal() * 150 for day in range(days) for hour in FEEDING_H]
    return tuple(Stretch(from_s=start, to_s=start + FEEDING_MIN * 60) for start in starts)


def _events(story: Story, pauses: tuple[Stretch, ...]) -> str:
    """The keeper's events file, in order of time."""
    rows = [(hours * 3600, kind, target, value) for hours, kind, target, value in story.noted]
    if story.pauses_noted:
        rows += [(pause.from_s, "feed_pause", "pump", str(FEEDING_MIN)) for pause in pauses]
    if not rows:
        return ""
    lines = [
        f"{START + np.timedelta64(int(at_s), 's')}Z,{kind},{target},{value}"
        for at_s, kind, target, value in sorted(rows)
    ]
    return "\n".join(["time_utc,kind,target,value", *lines, ""])


def ramp(hour: int, *, from_day: float, days: float) -> float:
    """0 before `from_day`, 1 from `days` later on, a straight line between."""
    return min(max((hour / DAY_H - from_day) / days, 0.0), 1.0)


def _cut(day: float, hours: float) -> Stretch:
    return Stretch(from_s=day * DAY_S, to_s=day * DAY_S + hours * 3600)


def _healthy(hour: int) -> Faults:
    """Nothing wrong; the keeper slows the pump for five days."""
    slowed = 15 * DAY_H + 9 <= hour < 20 * DAY_H + 18
    return Faults(speed=0.95 if slowed else 1.0)


def _carbon_clogging(hour: int) -> Faults:
    return Faults(bed_factor={"carbon": 1 + 4.4 * ramp(hour, from_day=9, days=14)})


def _impeller_fouling(hour: int) -> Faults:
    return Faults(fouling=0.18 * ramp(hour, from_day=8, days=21))


def _valve_nudged(hour: int) -> Faults:
    return Faults(valve_turn_deg={"uv": 4.6 if hour >= 11 * DAY_H + 14 else 0.0})


def _meter_stuck(hour: int) -> Faults:
    return Faults(dead_meters=("M3",) if hour >= 10 * DAY_H + 21 else ())


def _media_changed(hour: int) -> Faults:
    if hour >= 19 * DAY_H + 17:
        return Faults(bed_factor={"carbon": 1.03})
    return Faults(bed_factor={"carbon": 1 + 3.2 * ramp(hour, from_day=8, days=11.5)})


STORIES = (
    Story(
        name="healthy",
        seed=2609_01,
        days=27,
        faults_at=_healthy,
        pauses_noted=True,
        noted=((15 * DAY_H + 9, "pump_speed", "pump", "95"), (20 * DAY_H + 18, "pump_speed", "pump", "100")),
        power_cuts=(_cut(11.13, 2.6),),
        restarts_s=(22.4 * DAY_S,),
        unheard=(_cut(24.6, 4.0),),
    ),
    Story(
        name="carbon_clogging",
        seed=2609_02,
        days=24,
        faults_at=_carbon_clogging,
        pauses_noted=False,
        power_cuts=(_cut(12.55, 1.8),),
        restarts_s=(4.3 * DAY_S,),
    ),
    Story(
        name="impeller_fouling",
        seed=2609_03,
        days=29,
        faults_at=_impeller_fouling,
        pauses_noted=True,
        restarts_s=(17.7 * DAY_S,),
        unheard=(_cut(20.2, 5.5),),
    ),
    Story(
        name="valve_nudged",
        seed=2609_04,
        days=18,
        faults_at=_valve_nudged,
        pauses_noted=False,
        power_cuts=(_cut(9.9, 0.7),),
    ),
    Story(
        name="meter_stuck",
        seed=2609_05,
        days=16,
        faults_at=_meter_stuck,
        pauses_noted=True,
        restarts_s=(8.2 * DAY_S,),
    ),
    Story(
        name="media_changed",
        seed=2609_06,
        days=26,
        faults_at=_media_changed,
        pauses_noted=True,
        noted=((19 * DAY_H + 17, "maintenance", "carbon", "media_changed"),),
        work=(Stretch(from_s=(19 * DAY_H + 16.6) * 3600, to_s=(19 * DAY_H + 17) * 3600),),
        power_cuts=(_cut(13.2, 3.1),),
    ),
)

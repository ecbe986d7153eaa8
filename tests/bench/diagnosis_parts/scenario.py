"""A scenario: a plant drawn at random, some weeks of its readings, the journal, and the truth that only the score sees."""

from dataclasses import dataclass, replace

import numpy as np

from analysis.events import Event
from analysis.frames import HOUR_S, Floats, HourFrame, Parts
from analysis.pulses import PARTS
from config.settings import PlantFile, Settings
from tests.bench.diagnosis_parts.engine import Conditions, Engine
from tests.bench.diagnosis_parts.faults import GROWING, KINDS, Bench, Fault, kind_of
from tests.bench.diagnosis_parts.life import (
    DAY_H,
    START_S,
    Logging,
    Profile,
    Weather,
    autoregression,
    draw_logging,
    draw_speeds,
    draw_weather,
)
from tests.bench.diagnosis_parts.manifold import RISER, Manifold, as_built, draw_manifold, plant_of

LOW_TARGET = 0.8  # of what a meter shows in the healthy days: the keeper's least flow
LEAST_READING = 0.02
PULSES_PER_M3 = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Meters:
    """The meters as they are, all [M] but names.

    Attributes:
        runs: what they sit on. gain: true pulses over the label's. slow_m3s: below some times this flow they read low.
        white_sd, wander_sd, wander_tau_h: noise of a whole hour's log reading.
    """

    runs: tuple[str, ...]
    gain: Floats
    slow_m3s: Floats
    white_sd: Floats
    wander_sd: Floats
    wander_tau_h: Floats

    def shown_m3s(self, flow_m3s: Floats) -> Floats:
        """[T, M] what they show of flows [T, M], before noise."""
        return flow_m3s * self.gain * (1.0 - 0.6 * np.exp(-flow_m3s / self.slow_m3s))


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What really is, for the score and the oracle.

    Attributes:
        fault: what was drawn. built: the plant that stands there. weather, logging, meters: as drawn.
        speeds_h: hours of logged speed changes.
        sound_log: [T, M] log of what the meters would show of the sound plant without wander.
        change: [T, M] log change of that by the fault.
        loss: [T] share that the fault takes from what it sits on (the total for the supply), or from the reading.
        crossed_h: by branch, first hour whose day's mean is below the keeper's least flow, and was not before the fault.
    """

    fault: Fault
    built: Manifold
    weather: Weather
    logging: Logging
    meters: Meters
    speeds_h: tuple[int, ...]
    sound_log: Floats
    change: Floats
    loss: Floats
    crossed_h: dict[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One scenario: what the diagnosis gets, and the truth."""

    number: int
    plant_file: PlantFile
    frame: HourFrame
    events: tuple[Event, ...]
    healthy_h: int
    truth: Truth

    @property
    def kind(self) -> str:
        """What was drawn."""
        return self.truth.fault.kind


def draw_scenario(profile: Profile, seed: int, number: int, *, kind: str | None = None) -> Scenario:
    """Scenario `number` of a seed; the same arguments give the same one. `kind` asks for another than its turn's."""
    random = np.random.default_rng([seed, 2, number])
    kind = kind_of(seed, number) if kind is None else kind
    design = draw_manifold(random)
    built = as_built(random, design)
    hours = int(random.integers(*profile.days)) * DAY_H
    healthy_h = profile.healthy_days * DAY_H
    weather, logging = draw_weather(random, hours, profile.restless), draw_logging(random, hours)
    count = max(int(random.integers(profile.speeds[0], profile.speeds[1] + 1)), int(kind == "logged_speed"))
    set_speed, speeds_h, journal = draw_speeds(random, hours, healthy_h, count)
    metered = _metered(random, profile, design)
    with Engine(built) as engine:
        bench = Bench(random=random, engine=engine, built=built, metered=metered, hours=hours, healthy_h=healthy_h)
        fault = KINDS[kind](bench)
        meters = _draw_meters(random, profile, design, metered)
        shown = {
            name: _on_meters(engine.flows_m3s(conditions), built, metered)
            for name, conditions in _worlds(weather, set_speed, fault).items()
        }
        branches = {name: flow[1] for name, flow in shown.items()}
    flows = {name: flow[0] for name, flow in shown.items()}
    sound = meters.shown_m3s(flows["sound"])
    reading = np.maximum(meters.shown_m3s(flows["faulty"]) * fault.reading, LEAST_READING * sound)
    frame = _frame(random, design, meters, logging, meters.shown_m3s(flows["real"]) * fault.reading)
    low = _least_flows(frame, design, meters, healthy_h)
    plant = plant_of(design, metered, low_m3s=low)
    truth = Truth(
        fault=fault,
        built=built,
        weather=weather,
        logging=logging,
        meters=meters,
        speeds_h=speeds_h,
        sound_log=np.log(sound),
        change=np.log(reading / sound),
        loss=_loss(fault, built, branches),
        crossed_h=_crossings(fault, meters, meters.shown_m3s(flows["real"]), low),
    )
    return Scenario(
        number=number,
        plant_file=PlantFile(path="made-up.toml", plant=plant, settings=Settings()),
        frame=frame,
        events=tuple(sorted((*journal, *fault.events, *logging.events), key=lambda event: event.at_s)),
        healthy_h=healthy_h,
        truth=truth,
    )


def _worlds(weather: Weather, set_speed: Floats, fault: Fault) -> dict[str, Conditions]:
    """The plant as it really ran, and the two that nobody can see: with and without the fault, the mains quite steady."""
    real = Conditions(
        speed=set_speed * fault.speed * weather.speed_wander,
        viscosity_m2s=weather.viscosity_m2s,
        sump_rise_m=weather.sump_rise_m,
        pump_factor=fault.pump_factor,
        riser_k=fault.riser_k,
        branch_k=fault.branch_k,
    )
    sound = replace(
        real,
        speed=set_speed,
        pump_factor=np.ones_like(set_speed),
        riser_k=np.zeros_like(set_speed),
        branch_k=np.zeros_like(fault.branch_k),
    )
    if fault.answer is None:  # what the keeper did himself is part of the sound plant
        sound = replace(sound, branch_k=fault.branch_k)
    return {"real": real, "faulty": replace(real, speed=set_speed * fault.speed), "sound": sound}


def _on_meters(flow_m3s: Floats, built: Manifold, metered: tuple[str, ...]) -> tuple[Floats, Floats]:
    """[T, M] flow through the metered runs, and [T, B] through the branches."""
    through = [flow_m3s.sum(axis=1) if run == RISER else flow_m3s[:, built.names.index(run)] for run in metered]
    return np.stack(through, axis=1), flow_m3s


def _metered(random: np.random.Generator, profile: Profile, design: Manifold) -> tuple[str, ...]:
    """The metered runs, two at least."""
    case = int(random.choice(4, p=profile.metering))
    others = design.names[1:]
    half = [str(name) for name in random.permutation(others)[: max(len(others) // 2, 1)]]
    some = ("return", *(name for name in others if name in half))
    return ((*design.names,), (*design.names, RISER), others, some)[case]


def _draw_meters(random: np.random.Generator, profile: Profile, design: Manifold, metered: tuple[str, ...]) -> Meters:
    by_name = {branch.name: branch.flow_m3s for branch in design.branches}
    flow = np.array([by_name.get(run, sum(by_name.values())) for run in metered])
    count, restless = len(metered), profile.restless
    return Meters(
        runs=metered,
        gain=random.uniform(0.97, 1.03, count),
        slow_m3s=flow / random.uniform(4.0, 8.0, count),
        white_sd=restless * random.uniform(0.0005, 0.002, count),
        wander_sd=restless * random.uniform(0.004, 0.013, count),
        wander_tau_h=np.sqrt(restless) * np.exp(random.uniform(np.log(3.0), np.log(48.0), count)),
    )


def _frame(
    random: np.random.Generator, design: Manifold, meters: Meters, logging: Logging, shown_m3s: Floats
) -> HourFrame:
    """Whole pulses of every part of every hour, each meter with its own wander and noise."""
    hours, count = shown_m3s.shape
    plant = plant_of(design, meters.runs)
    seconds = np.repeat(logging.heard_s[:, :, None], count, axis=2)
    share = np.clip(seconds / HOUR_S, 0.02 / PARTS, 1.0)
    wander = np.stack(
        [
            autoregression(random, hours, sd=sd, tau_h=tau_h)
            for sd, tau_h in zip(meters.wander_sd.tolist(), meters.wander_tau_h.tolist(), strict=True)
        ],
        axis=1,
    )
    white = meters.white_sd * random.standard_normal(seconds.shape) / np.sqrt(share)
    label = np.array([meter.k_points[0][1] for meter in plant.meters]) * PULSES_PER_M3
    pulses = np.round((shown_m3s * np.exp(wander) * label)[:, None, :] * np.exp(white) * seconds)
    heard_s = seconds.sum(axis=1)
    return HourFrame(
        start_s=START_S,
        meters=tuple(meter.name for meter in plant.meters),
        rate=np.where(heard_s > 0, pulses.sum(axis=1) / np.maximum(heard_s, 1.0), np.nan),
        seconds=heard_s,
        off_s=logging.off_s,
        parts=Parts(pulses=pulses, seconds=seconds, known_at_s=logging.known_at_s),
    )


def _least_flows(frame: HourFrame, design: Manifold, meters: Meters, healthy_h: int) -> dict[str, float]:
    """What the keeper enters after commissioning, for every metered branch."""
    plant = plant_of(design, meters.runs)
    usual = np.nanmedian(frame.rate[:healthy_h], axis=0)
    label = [meter.k_points[0][1] * PULSES_PER_M3 for meter in plant.meters]
    return {
        run: float(LOW_TARGET * rate / k)
        for run, rate, k in zip(meters.runs, usual.tolist(), label, strict=True)
        if run != RISER
    }


def _loss(fault: Fault, built: Manifold, branches: dict[str, Floats]) -> Floats:
    if fault.answer is None:
        return np.zeros(len(fault.speed))
    subject = fault.answer[1]
    if subject in built.names:
        place = built.names.index(subject or "")
        flow, sound = branches["faulty"][:, place], branches["sound"][:, place]
    elif subject is None:
        flow, sound = branches["faulty"].sum(axis=1), branches["sound"].sum(axis=1)
    else:
        flow, sound = fault.reading[:, _touched(fault)], np.ones(len(fault.speed))
    loss: Floats = np.abs(1.0 - flow / sound)
    return loss


def _touched(fault: Fault) -> int:
    """The meter that a fault sits on."""
    return int(np.argmax(np.abs(1.0 - fault.reading).sum(axis=0)))


def _crossings(fault: Fault, meters: Meters, shown_m3s: Floats, low_m3s: dict[str, float]) -> dict[str, int]:
    """Where a growing fault brings the day's mean, as a meter without wander would show it, below the least flow."""
    if fault.kind not in GROWING or fault.onset_h is None:
        return {}
    summed = np.cumsum(np.concatenate([np.zeros((1, shown_m3s.shape[1])), shown_m3s]), axis=0)
    mean = (summed[DAY_H:] - summed[:-DAY_H]) / DAY_H  # [T - 23], the first of them ends with hour 23
    found = {}
    for column, run in enumerate(meters.runs):
        below = np.flatnonzero(mean[:, column] < low_m3s.get(run, 0.0)) + DAY_H - 1
        end_h = len(shown_m3s) if fault.end_h is None else fault.end_h
        if len(below) and fault.onset_h < below[0] < end_h:
            found[run] = int(below[0])
    return found

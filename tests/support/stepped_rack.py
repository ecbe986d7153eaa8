"""Steps of the pump's speed on the simulated rack, solved by the EPANET engine: what meters count, whatever is wrong.

The engine shares the elements' coefficients with the project and nothing else: friction, affinity laws and the balance
of the network are its own.
"""

import functools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from analysis.assessment import Candidate, FaultKind
from analysis.events import Event, EventKind
from analysis.frames import HOUR_S, Floats
from analysis.hydraulics.network import compile_network
from analysis.hydraulics.pump import PowerCurve
from analysis.speed_step import SpeedStep
from analysis.step_causes import Cause, Found, causes_of
from analysis.step_reading import MadeStep, StepReading, counts_of, found_of, read_step
from config.plant import Plant
from tests.support.epanet_model import EpanetModel
from tests.support.simulated_rack import METERS, START_S, WANDER_SD, WANDER_TAU_H, autoregression, plant_file
from tests.support.simulated_stories import healthy_baseline

Value = TypeVar("Value")
BEGIN_S = START_S + 12 * 86_400.0
MINUTE_WHITE = 0.004  # of a minute's flow; invented


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What is really wrong: factors on the pump's head and flow, further loss of a run (s2/m5), true speed over set, reading."""

    head: float = 1.0
    flow: float = 1.0
    run: str = "riser"
    added_k: float = 0.0
    speed: float = 1.0
    meter: str = ""
    reading: float = 1.0


HEALTHY = Fault()
WORN = Fault(head=0.86)
WORN_BOTH = Fault(head=0.88, flow=0.95)
TRUNK = Fault(added_k=125_000.0)
SLOW = Fault(speed=0.955)
CLOGGED = Fault(run="carbon", added_k=3.5e7)
UV_SHUT = Fault(run="uv", added_k=4.0e6)
LOW = Fault(meter="M4", reading=0.85)


@functools.cache
def rack() -> Plant:
    """The simulated rack's plant."""
    return plant_file().plant


@functools.cache
def rack_as_found() -> Found:
    """The rack as commissioned."""
    return found_of(rack(), healthy_baseline())


@functools.cache
def flows_m3s(fault: Fault, speed: float) -> Floats:
    """[M] what the meters would show on average, by the engine."""
    plant = rack()
    network = compile_network(plant)
    curve = network.pump
    assert isinstance(curve, PowerCurve)
    worn = replace(
        curve,
        shut_off_m=curve.shut_off_m * fault.head,
        coefficient=curve.coefficient * fault.head / fault.flow**curve.exponent,
    )
    added = np.zeros(len(network.runs))
    added[network.run_index(fault.run)] = fault.added_k
    with EpanetModel(replace(network, pump=worn)) as model:
        flow = np.abs(model.flows_m3s(speed=speed * fault.speed, added_k=added.tolist()))
    names = [run.name for run in map(plant.run_of_meter, METERS) if run is not None]
    seen = flow[[network.run_index(name) for name in names]]
    shown: Floats = np.where(np.array(METERS) == fault.meter, fault.reading, 1.0) * seen
    return shown


def total_change(fault: Fault) -> float:
    """Change of all that the pump delivers at full speed, per cent."""
    return float(100.0 * (flows_m3s(fault, 1.0).sum() / flows_m3s(HEALTHY, 1.0).sum() - 1.0))


def step_at(begin_s: float, *, during: float = 0.8, minutes: float = 10.0) -> SpeedStep:
    """A step from full speed, nothing else in the journal for hours."""
    end_s = begin_s + 60.0 * minutes
    return SpeedStep(
        begin_s=begin_s, end_s=end_s, before=1.0, during=during, from_s=begin_s - 36_000, to_s=end_s + 36_000
    )


def made(fault: Fault, step: SpeedStep, *, seed: int | None = 0) -> MadeStep:
    """What the meters count in a step; without a seed, what they would count on average."""
    plant = rack()
    lengths = np.array([end - start for start, end in step.windows_s])
    flow = np.stack([flows_m3s(fault, speed) for speed in (step.before, step.during, step.before)])
    factors = np.array([meter.k_points[0][1] for meter in plant.meters])
    pulses = flow * factors * 1000.0 * lengths[:, None]
    if seed is not None:
        random = np.random.default_rng(seed)
        spread = MINUTE_WHITE / np.sqrt(lengths[:, None] / 60.0)
        pulses = np.floor(pulses * np.exp(spread * random.standard_normal(pulses.shape)) + random.random(pulses.shape))
    seconds = np.tile(lengths[:, None], (1, len(METERS)))
    return MadeStep(step=step, counts=counts_of(pulses, seconds, plant.meters, (), at_s=step.begin_s))


def supply(percent: float) -> tuple[Cause, ...]:
    """The three parts of a supply that gives so much less."""
    return causes_of([candidate(FaultKind.SUPPLY, None, 1.0, percent)])


def candidate(kind: FaultKind, subject: str | None, probability: float, percent: float) -> Candidate:
    """A candidate as a finding has it."""
    return Candidate(
        kind=kind, subject=subject, probability=probability, flow_change_percent=percent, could_be=("invented",)
    )


def read(
    fault: Fault, causes: tuple[Cause, ...], *, during: float = 0.8, seed: int | None = 0, reference: bool = False
) -> StepReading:
    """A step made with a fault, read against causes; with an equal step of the healthy rack, if that is wanted."""
    baseline = healthy_baseline()
    first = made(HEALTHY, step_at(BEGIN_S - 3 * 86_400, during=during), seed=None if seed is None else seed + 1000)
    return read_step(
        rack_as_found(),
        baseline,
        made(fault, step_at(BEGIN_S, during=during), seed=seed),
        causes,
        first if reference else None,
    )


def speed_entry(at_s: float, percent: float) -> Event:
    """An entry of the journal."""
    return Event(at_s=at_s, kind=EventKind.PUMP_SPEED, target="pump", value=f"{percent:g}")


def log_of(
    faults: Sequence[tuple[float, Fault]], speeds: Sequence[tuple[float, float]], *, days: int, seed: int
) -> str:
    """A log of so many days: a reading every ten minutes, and every half minute within an hour of a change of speed.

    Args:
        faults: what is wrong from which second of the log on, in order of time; healthy before.
        speeds: speed that is set from which second on; full speed before.
        days: length of the log.
        seed: of the meters' wander and noise.
    """
    random = np.random.default_rng(seed)
    changes = np.array([at_s for at_s, _ in speeds]) if speeds else np.array([np.inf])
    at_s = np.arange(0.0, days * 86_400.0 + 1.0, 30.0)
    near = np.min(np.abs(at_s[:, None] - changes[None, :]), axis=1) <= HOUR_S
    flow = np.array([flows_m3s(_then(faults, HEALTHY, now), _then(speeds, 1.0, now)) for now in at_s[:-1].tolist()])
    hours = days * 24 + 1
    wander = [
        np.interp(at_s[:-1] / HOUR_S, np.arange(hours), autoregression(random, hours, sd=WANDER_SD, tau_h=WANDER_TAU_H))
        for _ in METERS
    ]
    factors = np.array([meter.k_points[0][1] * 1000.0 for meter in rack().meters])
    noise = np.exp(np.array(wander).T + MINUTE_WHITE * np.sqrt(2.0) * random.standard_normal(flow.shape))
    counts = np.floor(np.concatenate([np.zeros((1, len(METERS))), np.cumsum(flow * noise * factors * 30.0, axis=0)]))
    told = near | (at_s % 600.0 == 0.0)
    times = np.datetime_as_string(np.datetime64(START_S, "s") + at_s[told].astype("timedelta64[s]"))
    lines = [
        f"{time}Z,{meter},{int(count)}"
        for time, row in zip(times, counts[told], strict=True)
        for meter, count in zip(METERS, row, strict=True)
    ]
    return "\n".join(["time_utc,meter,pulses", *lines, ""])


def _then(values: Sequence[tuple[float, Value]], first: Value, at_s: float) -> Value:
    """What held at a time."""
    held = first
    for since_s, value in values:
        held = value if at_s >= since_s else held
    return held

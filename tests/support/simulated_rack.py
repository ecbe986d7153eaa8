"""An invented rack and hours of its meters, drawn from a seed: what the analysis sees on a plant whose faults are known.

The network is solved by the project's own hydraulics, which have their own tests against outside sources; what is
tested with these hours is what the analysis makes of readings.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from analysis.assess import assess
from analysis.assessment import Assessment
from analysis.baseline import Baseline
from analysis.calibration import flow_of
from analysis.commissioning import commission
from analysis.events import Event
from analysis.frames import HOUR_S, Floats, GaugeHours, HourFrame
from analysis.gauges import columns_of, head_of
from analysis.hydraulics.network import Conditions, Network, Solution, compile_network, solve
from analysis.timeline import SETTLE_S
from config.parse import parse_plant
from config.settings import PlantFile

PLANT = """\
[plant]
name = "Slate gully"
flow_unit = "L/h"
timezone = "Atlantic/Azores"

[pump]
curve = [["0 L/h", "4.8 m"], ["6000 L/h", "3.5 m"], ["10500 L/h", "0.6 m"]]
speed = "100 %"

[[run]]
name = "riser"
from = "pump"
to = "tee 1"
path = [{ entrance = "sharp" }, { pipe = "1-1/2 in sch 40", length = "70 cm" }, { elbow = "90", count = 2 }]

[[run]]
name = "return"
from = "tee 1"
outlet = "1.55 m"
path = [{ tee = "run" }, { pipe = "1-1/4 in sch 40", length = "2.1 m" }, { elbow = "90", count = 3 }, { K = 5 }]
meter = "M1"

[[run]]
name = "header"
from = "tee 1"
to = "tee 2"
path = [{ tee = "branch" }, { pipe = "1-1/4 in sch 40", length = "30 cm" }]

[[run]]
name = "uv"
from = "tee 2"
outlet = "5 cm"
path = [{ tee = "branch" }, { pipe = "3/4 in sch 40", length = "1.2 m" }, { K = 22 }]
meter = "M2"

[[run]]
name = "scrubber"
from = "tee 2"
outlet = "85 cm"
path = [{ tee = "branch" }, { pipe = "3/4 in sch 40", length = "1.4 m" }, { K = 20 }]
meter = "M3"

[[run]]
name = "carbon"
from = "tee 2"
outlet = "10 cm"
path = [
  { tee = "branch" },
  { pipe = "1/2 in sch 40", length = "90 cm" },
  { K = 60 },
  { device = "carbon reactor", loss = [["200 L/h", "0.15 m"], ["400 L/h", "0.35 m"]] },
]
media = "granular carbon"
target = { low = "330 L/h", high = "700 L/h" }
meter = "M4"

[[meter]]
name = "M1"
pulses_per_litre = 6
[[meter]]
name = "M2"
pulses_per_litre = 18
[[meter]]
name = "M3"
pulses_per_litre = 24
[[meter]]
name = "M4"
pulses_per_litre = 60
"""
# A gauge at the header, to be added to the plant.
GAUGE = """
[[gauge]]
name = "header pressure"
reads = "pressure"
run = "header"
height = "25 cm"
unit = "kPa"
"""
POWER_NAME = "pump power"
# A gauge of the pump's power, and the figures of its pump, to be put into the plant.
POWER = f"""
[[gauge]]
name = "{POWER_NAME}"
reads = "power"
unit = "W"
"""
SPEED_LINE = 'speed = "100 %"\n'
FIGURES = SPEED_LINE + 'power = [["0 L/h", "38 W"], ["10500 L/h", "71.6 W"]]\n'
METERS = ("M1", "M2", "M3", "M4")
START_S = 1_788_220_800  # 2026-09-01T00:00:00Z
DAY_H = 24
HEALTHY_DAYS = 7
# How the rack wanders: white noise, each meter's own AR(1), and the pump's and the sump's. Invented.
WHITE_SD = 0.001
WANDER_SD, WANDER_TAU_H = 0.008, 20.0
GAUGE_WHITE_SD, GAUGE_WANDER_SD = 0.002, 0.002
# What the invented pump draws, W: straight in the flow, and with the cube of the speed.
IDLE_W, WORK_W_S_M3 = 38.0, 0.0032 * 3.6e6
SPEED_SD, SPEED_TAU_H = 0.0015, 14.0
LEVEL_SD_M, LEVEL_TAU_H = 0.006, 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is wrong, hour by hour from the first: factors [T] on a run's losses, the speed, a meter's or gauge's reading.

    `head` [T]: of the pump's head at any flow, worn; it draws the `head` to the `head_power` of what it drew at that flow.
    """

    resistance: Mapping[str, Floats] = field(default_factory=dict)
    speed: Floats | None = None
    head: Floats | None = None
    head_power: float = 0.5
    reading: Mapping[str, Floats] = field(default_factory=dict)
    off_h: frozenset[int] = frozenset()


HEALTHY = Truth()


def plant_file(text: str = PLANT) -> PlantFile:
    """The rack's plant file, or another."""
    return parse_plant(text, file="gully.toml")


def stepped(hours: int, at_h: int, value: float, *, until_h: int | None = None) -> Floats:
    """[T] 1, but `value` from one hour on, to another or for good."""
    hour = np.arange(hours)
    changed = (hour >= at_h) & (hour < (hours if until_h is None else until_h))
    factors: Floats = np.where(changed, value, 1.0)
    return factors


def ramped(hours: int, at_h: int, value: float, *, over_h: int) -> Floats:
    """[T] 1 at first, then straight on to `value` and beyond."""
    grown = np.maximum(np.arange(hours) - at_h, 0) / over_h
    factors: Floats = 1.0 + (value - 1.0) * grown
    return factors


def autoregression(random: np.random.Generator, hours: int, *, sd: float, tau_h: float) -> Floats:
    """[T] stationary AR(1) of the given standard deviation and time constant."""
    memory = np.exp(-1.0 / tau_h)
    fresh = random.standard_normal(hours) * sd * np.sqrt(1.0 - memory**2)
    values = np.empty(hours)
    values[0] = sd * random.standard_normal()
    for hour in range(1, hours):
        values[hour] = memory * values[hour - 1] + fresh[hour]
    return values


def hours_of(rack: PlantFile, *, days: int, seed: int, truth: Truth = HEALTHY, noise: float = 1.0) -> HourFrame:
    """Hours of all meters and gauges on a rack with the given faults; `noise` scales all that wanders."""
    hours = days * DAY_H
    random = np.random.default_rng(seed)
    network = compile_network(rack.plant)
    resistance = np.ones((hours, len(network.runs)))
    for run, factors in truth.resistance.items():
        resistance[:, network.run_index(run)] = factors
    speed = np.ones(hours) if truth.speed is None else truth.speed
    speed = speed * (1.0 + noise * autoregression(random, hours, sd=SPEED_SD, tau_h=SPEED_TAU_H))
    level_m = noise * autoregression(random, hours, sd=LEVEL_SD_M, tau_h=LEVEL_TAU_H)
    solution = solve(
        network,
        Conditions(
            speed=speed,
            sump_rise_m=level_m,
            resistance=resistance,
            head_factor=1.0 if truth.head is None else truth.head,
        ),
    )
    flow = solution.flow_m3s
    meters = tuple(meter.name for meter in rack.plant.meters)
    rate = np.empty((hours, len(meters)))
    for column, meter in enumerate(rack.plant.meters):
        place = rack.plant.run_of_meter(meter.name)
        assert place is not None
        wander = autoregression(random, hours, sd=WANDER_SD, tau_h=WANDER_TAU_H)
        error = noise * (wander + WHITE_SD * random.standard_normal(hours))
        factor = 1000.0 * meter.k_points[0][1] * truth.reading.get(meter.name, np.ones(hours))
        rate[:, column] = flow[:, network.run_index(place.name)] * np.exp(error) * factor
    off = np.isin(np.arange(hours), list(truth.off_h))
    rate[off] = np.nan
    seconds = np.where(np.isfinite(rate), float(HOUR_S), 0.0)
    return HourFrame(
        start_s=START_S,
        meters=meters,
        rate=rate,
        seconds=seconds,
        off_s=np.where(off, float(HOUR_S), 0.0),
        gauges=_gauge_hours(rack, network, solution, truth, random, noise=noise) if rack.plant.gauges else None,
    )


def _gauge_hours(  # noqa: PLR0913 - what hours_of has drawn so far
    rack: PlantFile, network: Network, solution: Solution, truth: Truth, random: np.random.Generator, *, noise: float
) -> GaugeHours:
    """What the rack's gauges show of the solved hours; drawn after the meters, which a gauge does not change."""
    names = rack.plant.gauge_names
    columns = columns_of(rack.plant, network, (), names)
    heads = columns.heads_m(solution)
    shown = np.where(columns.of_pump, _power_w(solution, truth)[:, None], heads / head_of(rack.plant, np.array(1.0)))
    for column, name in enumerate(names):
        wander = autoregression(random, len(heads), sd=GAUGE_WANDER_SD, tau_h=WANDER_TAU_H)
        error = noise * (wander + GAUGE_WHITE_SD * random.standard_normal(len(heads)))
        shown[:, column] *= np.exp(error) * truth.reading.get(name, np.ones(len(heads)))
    return GaugeHours(names=names, shown=shown)


def _power_w(solution: Solution, truth: Truth) -> Floats:
    """[T] what the pump draws, by the affinity laws."""
    speed = np.asarray(solution.conditions.speed, dtype=np.float64)
    worn = 1.0 if truth.head is None else truth.head**truth.head_power
    power: Floats = worn * speed**3 * (IDLE_W + WORK_W_S_M3 * solution.pump_flow_m3s / speed)
    return power


def commissioned(rack: PlantFile, frame: HourFrame, *, days: int = HEALTHY_DAYS) -> Baseline:
    """The baseline of a frame's first days."""
    healthy = frame.until(days * DAY_H)
    return commission(rack.plant, healthy, flow_of(healthy, rack.plant.meters), speed=1.0)


def assessed(
    rack: PlantFile, baseline: Baseline, frame: HourFrame, *, events: tuple[Event, ...] = (), hours: int | None = None
) -> Assessment:
    """Everything that the first hours (or all) of a frame say."""
    known = frame.hours if hours is None else hours
    return assess(rack, baseline, frame, events, frame.start_s + known * HOUR_S + SETTLE_S)

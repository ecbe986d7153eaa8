"""Gauges as readings: logs of what a gauge shows over what it showed when commissioned.

A meter sees its own flow, a pressure gauge at the header sees what all branches share: a branch that clogs raises it,
and a meter that reads low does not. A gauge of the pump's power sees what the pump does, apart from what the plant does
with it. Like a meter each stands in the readings as one column, behind those of the meters.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from analysis.frames import Floats, HourFrame, Ints
from analysis.hydraulics.fluid import density_kg_m3
from analysis.hydraulics.media import STANDARD_GRAVITY_M_S2
from analysis.hydraulics.network import Network, Solution
from analysis.hydraulics.pump_power import PumpPower
from config.plant import Gauge, GaugeKind, Plant

# How far a gauge may be off as bought (log): a small pressure gauge with its height, accuracy class 1.6 or 2.5 of full
# scale (EN 837-1, from memory), read at half of it or less; a pump's power against the figures of its kind, by the
# tolerance of pumps of the series (ISO 9906 grade 3, some 9 %, from memory).
GAUGE_LOG_SD: Mapping[GaugeKind, float] = MappingProxyType({GaugeKind.PRESSURE: 0.05, GaugeKind.POWER: 0.10})
# How a gauge wanders from hour to hour (log): a pressure sensor has no moving part, about its accuracy class of 0.5 % and
# less; a pump's power follows the mains' voltage. Common practice, no source.
WANDER_SD: Mapping[GaugeKind, float] = MappingProxyType({GaugeKind.PRESSURE: 0.004, GaugeKind.POWER: 0.010})


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """What the columns of the readings are of: [M] runs that meters sit on, then [G] gauges.

    Attributes:
        run: [M]. node, height_m: [G] of pressure gauges; the first node, which is not used, for a power.
        of_pump: [G] whether a gauge reads the pump's power. power: the plant file's points of it.
    """

    run: Ints
    node: Ints
    height_m: Floats
    of_pump: NDArray[np.bool_]
    power: tuple[tuple[float, float], ...]

    def heads_m(self, solution: Solution) -> Floats:
        """[B, G] pressure heads above the gauges; nan for a power."""
        heads: Floats = solution.head_m[:, self.node] - self.height_m
        return np.where(self.of_pump, np.nan, heads)

    def pump_power(self, base: Solution, speed: float) -> PumpPower:
        """The pump's power about the one operating point of `base`, at its speed."""
        return PumpPower(points=self.power, duty_m3s=float(base.pump_flow_m3s[0]) / speed, duty_speed=speed)


def columns_of(plant: Plant, network: Network, meters: tuple[str, ...], gauges: tuple[str, ...] = ()) -> Columns:
    """The columns of some meters, each on a run, and gauges.

    Raises:
        ValueError: a meter sits on no run, or the plant has no such gauge.
    """
    records = [_gauge(plant, name) for name in gauges]
    return Columns(
        run=np.array([network.run_index(_run_name(plant, meter)) for meter in meters], dtype=np.int64),
        node=np.array([_node(network, gauge) for gauge in records], dtype=np.int64),
        height_m=np.array([gauge.height_m for gauge in records], dtype=np.float64),
        of_pump=np.array([gauge.reads is GaugeKind.POWER for gauge in records], dtype=np.bool_),
        power=plant.pump.power,
    )


def _run_name(plant: Plant, meter: str) -> str:
    run = plant.run_of_meter(meter)
    if run is None:
        raise ValueError(f"meter {meter} sits on no run")
    return run.name


def _node(network: Network, gauge: Gauge) -> int:
    return 0 if gauge.run is None else int(network.end[network.run_index(gauge.run)])


def usual_wander(plant: Plant, gauges: Sequence[str]) -> tuple[float, ...]:
    """How gauges of their kinds wander before anything was learned of them: log, standard deviations, one a gauge."""
    return tuple(WANDER_SD[plant.gauge_kinds[name]] for name in gauges)


def _gauge(plant: Plant, name: str) -> Gauge:
    found = next((gauge for gauge in plant.gauges if gauge.name == name), None)
    if found is None:
        raise ValueError(f"there is no gauge {name}")
    return found


def head_of(plant: Plant, pressure_pa: Floats) -> Floats:
    """Pressures in Pa as heights of the plant's water, m (p = rho g h)."""
    water = plant.water
    return pressure_pa / (density_kg_m3(water.temperature_c, water.salinity_g_per_kg) * STANDARD_GRAVITY_M_S2)


def usable_shown(frame: HourFrame, gauges: tuple[str, ...]) -> Floats:
    """[T, G] Pa or W of these gauges in hours in which the pump ran throughout; nan where unknown."""
    shown = np.full((frame.hours, len(gauges)), np.nan)
    if frame.gauges is not None:
        for column, name in enumerate(gauges):
            if name in frame.gauges.names:
                shown[:, column] = frame.gauges.shown[:, frame.gauges.names.index(name)]
    return np.where((frame.off_s > 0)[:, None], np.nan, shown)


def without_hours(frame: HourFrame, left_out: NDArray[np.bool_]) -> HourFrame:
    """The frame with nothing known of its gauges in some hours, [T]."""
    if frame.gauges is None:
        return frame
    shown = np.where(left_out[:, None], np.nan, frame.gauges.shown)
    return replace(frame, gauges=replace(frame.gauges, shown=shown))

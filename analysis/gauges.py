"""Pressure gauges as readings: logs of the pressure head above a gauge over what it was when commissioned.

A meter sees its own flow, a gauge at the header sees what all branches share: a branch that clogs raises it, and a
meter that reads low does not. Like a meter it stands in the readings as one column, behind those of the meters.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.frames import Floats, HourFrame, Ints
from analysis.hydraulics.fluid import density_kg_m3
from analysis.hydraulics.media import STANDARD_GRAVITY_M_S2
from analysis.hydraulics.network import Network, Solution
from config.plant import Gauge, Plant

# How far a small gauge may be off as bought and as its height was measured (log): accuracy class 1.6 or 2.5 of full
# scale (EN 837-1, from memory), read at half of it or less.
GAUGE_LOG_SD = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """What the columns of the readings are of: [M] runs that meters sit on, then [G] nodes and heights of gauges."""

    run: Ints
    node: Ints
    height_m: Floats

    def heads_m(self, solution: Solution) -> Floats:
        """[B, G] pressure heads above the gauges."""
        heads: Floats = solution.head_m[:, self.node] - self.height_m
        return heads


def columns_of(plant: Plant, network: Network, meters: tuple[str, ...], gauges: tuple[str, ...] = ()) -> Columns:
    """The columns of some meters, each on a run, and gauges.

    Raises:
        ValueError: a meter sits on no run, or the plant has no such gauge.
    """
    records = [_gauge(plant, name) for name in gauges]
    return Columns(
        run=np.array([network.run_index(_run_name(plant, meter)) for meter in meters], dtype=np.int64),
        node=np.array([network.end[network.run_index(gauge.run)] for gauge in records], dtype=np.int64),
        height_m=np.array([gauge.height_m for gauge in records], dtype=np.float64),
    )


def _run_name(plant: Plant, meter: str) -> str:
    run = plant.run_of_meter(meter)
    if run is None:
        raise ValueError(f"meter {meter} sits on no run")
    return run.name


def _gauge(plant: Plant, name: str) -> Gauge:
    found = next((gauge for gauge in plant.gauges if gauge.name == name), None)
    if found is None:
        raise ValueError(f"there is no gauge {name}")
    return found


def head_of(plant: Plant, pressure_pa: Floats) -> Floats:
    """Pressures in Pa as heights of the plant's water, m (p = rho g h)."""
    water = plant.water
    return pressure_pa / (density_kg_m3(water.temperature_c, water.salinity_g_per_kg) * STANDARD_GRAVITY_M_S2)


def usable_pressure(frame: HourFrame, gauges: tuple[str, ...]) -> Floats:
    """[T, G] Pa of these gauges in hours in which the pump ran throughout; nan where unknown."""
    pressure = np.full((frame.hours, len(gauges)), np.nan)
    if frame.gauges is not None:
        for column, name in enumerate(gauges):
            if name in frame.gauges.names:
                pressure[:, column] = frame.gauges.pressure_pa[:, frame.gauges.names.index(name)]
    return np.where((frame.off_s > 0)[:, None], np.nan, pressure)


def without_hours(frame: HourFrame, left_out: NDArray[np.bool_]) -> HourFrame:
    """The frame with nothing known of its gauges in some hours, [T]."""
    if frame.gauges is None:
        return frame
    pressure = np.where(left_out[:, None], np.nan, frame.gauges.pressure_pa)
    return replace(frame, gauges=replace(frame.gauges, pressure_pa=pressure))

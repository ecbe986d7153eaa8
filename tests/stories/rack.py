"""The lagoon rack as it was really built, solved by the EPANET engine.

The plant file says what the keeper entered. This is the plant behind it: fittings cost more or less than a
handbook says, the pump is not quite the one of its leaflet, the outlets stand a finger higher or lower. Nothing
here is shared with the project's own solver, so that a sample log is evidence from outside.

Friction is Darcy-Weisbach. K of the fittings: multiples of Crane TP-410 on PVC schedule 40 bores, summed by hand
for each run; K of a part-open ball valve: plug-cock row of a Perry-type table, ln K interpolated over the angle.
"""

import math
import os
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

import epanet.toolkit as en
import numpy as np

GRAVITY = 9.80665
EPANET_VISCOSITY_M2S = 1.1e-5 * 0.3048**2  # the engine's viscosity is a multiple of this (water of 20 degC)
VALVE_ANGLES_DEG = (0.0, 5.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0)
VALVE_K = (0.05, 0.05, 0.29, 1.56, 5.3, 17.3, 60.0, 206.0)
BED_BORE_MM = 25.0  # bore on which the engine is told a reactor bed's loss
LITRES_PER_MIN = 1 / 60_000.0  # in m3/s


def ball_valve_k(closed_deg: float) -> float:
    """K of a ball valve turned by `closed_deg` from fully open."""
    return float(np.exp(np.interp(closed_deg, VALVE_ANGLES_DEG, np.log(VALVE_K))))


def sea_water_viscosity_m2s(temperature_c: float) -> float:
    """Kinematic viscosity of sea water of 35 g/kg: a line in ln nu through 20 and 30 degC of ITTC 7.5-02-01-03."""
    return float(np.exp(np.interp(temperature_c, (20.0, 30.0), (math.log(1.0508e-6), math.log(8.4253e-7)))))


@dataclass(frozen=True, slots=True, kw_only=True)
class Bed:
    """A device's loss at the design flow, its linear share, and how far the real one is off (a factor)."""

    flow_lpm: float
    loss_m: float
    linear_share: float
    built_factor: float

    def loss_at_m(self, flow_lpm: float, viscosity_m2s: float) -> float:
        """Loss of the clean device as built, m; the linear part is friction between the grains and goes with nu."""
        ratio = flow_lpm / self.flow_lpm
        linear = self.linear_share * ratio * viscosity_m2s / sea_water_viscosity_m2s(25.0)
        return self.built_factor * self.loss_m * (linear + (1 - self.linear_share) * ratio**2)


@dataclass(frozen=True, slots=True, kw_only=True)
class BuiltRun:
    """One run as built: `k` of its fittings by the handbook, `k_factor` what they really cost more or less.

    `outlet_m` is the design height and `outlet_off_m` the builder's error; a branch that drains into the sump
    itself has outlet 0 and follows its level.
    """

    name: str
    start: str
    end: str
    bore_mm: float
    length_m: float
    k: float
    k_factor: float
    valve_deg: float | None = None
    outlet_m: float | None = None
    outlet_off_m: float = 0.0
    bed: Bed | None = None


PUMP_CURVE_LPH_M = ((0.0, 4.8), (6000.0, 3.5), (10500.0, 0.6))
PUMP_FLOW_FACTOR = 0.975
PUMP_HEAD_FACTOR = 1.03

RUNS = (
    BuiltRun(name="riser", start="pump", end="tee_1", bore_mm=40.9, length_m=0.72, k=1.74, k_factor=1.15),
    BuiltRun(
        name="return",
        start="tee_1",
        end="display",
        bore_mm=35.0,
        length_m=2.16,
        k=3.29,
        k_factor=0.93,
        valve_deg=25.5,
        outlet_m=1.55,
        outlet_off_m=0.014,
    ),
    BuiltRun(name="header_1", start="tee_1", end="tee_2", bore_mm=35.0, length_m=0.30, k=1.25, k_factor=0.88),
    BuiltRun(
        name="uv",
        start="tee_2",
        end="uv_out",
        bore_mm=20.8,
        length_m=1.26,
        k=3.92,
        k_factor=1.12,
        valve_deg=40.4,
        outlet_m=0.0,
        bed=Bed(flow_lpm=25.0, loss_m=0.22, linear_share=0.0, built_factor=1.17),
    ),
    BuiltRun(name="header_2", start="tee_2", end="tee_3", bore_mm=35.0, length_m=0.15, k=0.415, k_factor=1.2),
    BuiltRun(
        name="scrubber",
        start="tee_3",
        end="scrubber_out",
        bore_mm=21.0,
        length_m=1.33,
        k=4.59,
        k_factor=0.86,
        valve_deg=42.3,
        outlet_m=0.85,
        outlet_off_m=-0.018,
        bed=Bed(flow_lpm=1000 / 60, loss_m=0.15, linear_share=0.0, built_factor=0.9),
    ),
    BuiltRun(name="header_3", start="tee_3", end="tee_4", bore_mm=35.0, length_m=0.15, k=0.415, k_factor=0.9),
    BuiltRun(
        name="carbon",
        start="tee_4",
        end="carbon_out",
        bore_mm=15.7,
        length_m=0.94,
        k=4.14,
        k_factor=1.18,
        valve_deg=51.6,
        outlet_m=0.10,
        outlet_off_m=0.008,
        bed=Bed(flow_lpm=400 / 60, loss_m=0.35, linear_share=0.714, built_factor=1.1),
    ),
    BuiltRun(
        name="phosphate",
        start="tee_4",
        end="phosphate_out",
        bore_mm=15.8,
        length_m=0.97,
        k=3.12,
        k_factor=0.91,
        valve_deg=53.4,
        outlet_m=0.10,
        outlet_off_m=-0.012,
        bed=Bed(flow_lpm=350 / 60, loss_m=0.25, linear_share=0.76, built_factor=0.84),
    ),
)
BRANCHES = tuple(run.name for run in RUNS if run.outlet_m is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hour:
    """What the plant is like in one hour: the water, the pump and what has gone wrong.

    Attributes:
        speed: fraction of full speed. head_factor, flow_factor: what fouling leaves of the pump's curve.
        bed_factor: by branch, how much more a device's bed loses than when it was clean.
        valve_turn_deg: by branch, how far its handle was turned toward shut since the plant was built.
    """

    viscosity_m2s: float
    sump_rise_m: float = 0.0
    speed: float = 1.0
    head_factor: float = 1.0
    flow_factor: float = 1.0
    bed_factor: dict[str, float] = field(default_factory=dict)
    valve_turn_deg: dict[str, float] = field(default_factory=dict)


class Rack:
    """The rack inside the EPANET engine; use it in a `with` block."""

    def __init__(self) -> None:
        self._project = en.createproject()
        self._bed_k = {run.name: 10.0 for run in RUNS if run.bed}
        self._curve_factors = (1.0, 1.0)
        self._build()

    def __enter__(self) -> Self:
        """The rack, ready to solve."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Give the engine's memory back."""
        en.closeH(self._project)
        en.close(self._project)
        en.deleteproject(self._project)

    def solve(self, hour: Hour, *, tolerance: float = 1e-7) -> dict[str, float]:
        """Flow of every branch, L/min.

        A bed's loss is partly linear, which a pipe's minor loss cannot be: its K is set again from the flow found
        until no flow moves by more than `tolerance` of itself.
        """
        self._set(hour)
        before = dict.fromkeys(BRANCHES, 0.0)
        for _ in range(100):
            flows = self._run()
            if all(abs(flows[name] - before[name]) <= tolerance * flows[name] for name in BRANCHES):
                return flows
            before = flows
            self._reset_beds(flows, hour)
        raise RuntimeError(f"the beds' K did not settle: {hour}")

    def _build(self) -> None:
        project = self._project
        en.init(project, os.devnull, "", en.LPM, en.DW)
        for option, value in ((en.ACCURACY, 1e-5), (en.HEADERROR, 1e-7), (en.FLOWCHANGE, 1e-7), (en.TRIALS, 300)):
            en.setoption(project, option, value)
        en.addnode(project, "sump", en.RESERVOIR)
        en.addnode(project, "pump", en.JUNCTION)
        for run in RUNS:
            if run.bed:
                en.addnode(project, f"{run.name}_bed", en.JUNCTION)
            en.addnode(project, run.end, en.JUNCTION if run.outlet_m is None else en.RESERVOIR)
        en.addcurve(project, "curve")
        self._write_curve(1.0, 1.0)
        pump = en.addlink(project, "lift", en.PUMP, "sump", "pump")
        en.setlinkvalue(project, pump, en.PUMP_HCURVE, en.getcurveindex(project, "curve"))
        for run in RUNS:
            self._add_run(run)
        en.openH(project)
        en.initH(project, en.INITFLOW)

    def _add_run(self, run: BuiltRun) -> None:
        kind = en.PIPE if run.outlet_m is None else en.CVPIPE  # every outlet is a lip above the water: one-way
        middle = f"{run.name}_bed" if run.bed else run.end
        pipe = en.addlink(self._project, run.name, kind, run.start, middle)
        en.setpipedata(self._project, pipe, run.length_m, run.bore_mm, 0.004, run.k * run.k_factor)
        if run.bed:
            bed = en.addlink(self._project, f"{run.name}_bed", en.PIPE, middle, run.end)
            en.setpipedata(self._project, bed, 0.01, BED_BORE_MM, 0.0015, self._bed_k[run.name])

    def _write_curve(self, head_factor: float, flow_factor: float) -> None:
        curve = en.getcurveindex(self._project, "curve")
        for place, (flow_lph, head_m) in enumerate(PUMP_CURVE_LPH_M, start=1):
            flow_lpm = flow_lph / 60 * PUMP_FLOW_FACTOR * flow_factor
            en.setcurvevalue(self._project, curve, place, flow_lpm, head_m * PUMP_HEAD_FACTOR * head_factor)

    def _set(self, hour: Hour) -> None:
        project = self._project
        factors = (hour.head_factor, hour.flow_factor)
        if factors != self._curve_factors:
            self._write_curve(*factors)
            pump, curve = en.getlinkindex(project, "lift"), en.getcurveindex(project, "curve")
            en.setheadcurveindex(project, pump, curve)
            en.closeH(project)  # the engine fits its power law to the three points only when it opens
            en.openH(project)
            en.initH(project, en.INITFLOW)
            self._curve_factors = factors
        en.setoption(project, en.SP_VISCOS, hour.viscosity_m2s / EPANET_VISCOSITY_M2S)
        en.setnodevalue(project, en.getnodeindex(project, "sump"), en.ELEVATION, hour.sump_rise_m)
        en.setlinkvalue(project, en.getlinkindex(project, "lift"), en.INITSETTING, hour.speed)
        for run in RUNS:
            self._set_run(run, hour)

    def _set_run(self, run: BuiltRun, hour: Hour) -> None:
        project = self._project
        valve_k = 0.0
        if run.valve_deg is not None:
            valve_k = ball_valve_k(run.valve_deg + hour.valve_turn_deg.get(run.name, 0.0))
        en.setlinkvalue(project, en.getlinkindex(project, run.name), en.MINORLOSS, run.k * run.k_factor + valve_k)
        if run.outlet_m is not None:
            level_m = run.outlet_m + run.outlet_off_m if run.outlet_m > 0 else hour.sump_rise_m
            en.setnodevalue(project, en.getnodeindex(project, run.end), en.ELEVATION, level_m)

    def _run(self) -> dict[str, float]:
        project = self._project
        for name, k in self._bed_k.items():
            en.setlinkvalue(project, en.getlinkindex(project, f"{name}_bed"), en.MINORLOSS, k)
        en.initH(project, en.NOSAVE)
        en.runH(project)
        return {name: float(en.getlinkvalue(project, en.getlinkindex(project, name), en.FLOW)) for name in BRANCHES}

    def _reset_beds(self, flows_lpm: dict[str, float], hour: Hour) -> None:
        area_m2 = math.pi * (BED_BORE_MM / 1000) ** 2 / 4
        for run in RUNS:
            if not run.bed:
                continue
            flow_lpm = max(flows_lpm[run.name], 0.05)
            velocity_head_m = (flow_lpm * LITRES_PER_MIN / area_m2) ** 2 / (2 * GRAVITY)
            loss_m = run.bed.loss_at_m(flow_lpm, hour.viscosity_m2s) * hour.bed_factor.get(run.name, 1.0)
            self._bed_k[run.name] = loss_m / velocity_head_m

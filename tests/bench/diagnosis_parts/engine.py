"""The plant as built inside the EPANET engine: hours of conditions in, hours of flows out.

Nothing of the project's own hydraulics is used here, so that what the diagnosis is scored on comes from outside.
Every hour is solved from a cold start, since a warm one shifts the engine's answers by up to 0.06 %.
"""

import os
import warnings
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

import epanet.toolkit as engine
import numpy as np

from analysis.frames import Floats
from tests.bench.diagnosis_parts.manifold import LPM, ROUGHNESS_M, Manifold, Pipework

UNIT_VISCOSITY_M2S = 1.1e-5 * 0.3048**2  # the engine's viscosity is a multiple of this
BED_POINTS = 200
WIDEST = 4.0  # the table of a bed reaches to so many times its design flow
ACCURACY = 1e-5


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """How the plant is in each of T hours.

    Attributes:
        speed, viscosity_m2s, sump_rise_m: [T] fraction of full speed, m2/s, m above the level as built.
        pump_factor: [T] what fouling leaves of the pump's head; of its flow it leaves 1 - 0.6 (1 - pump_factor).
        riser_k: [T] K added to the riser. branch_k: [T, B] K added to (or taken from) each branch.
    """

    speed: Floats
    viscosity_m2s: Floats
    sump_rise_m: Floats
    pump_factor: Floats
    riser_k: Floats
    branch_k: Floats


def usual(hours: int, branches: int, *, viscosity_m2s: float) -> Conditions:
    """Hours in which nothing is other than built."""
    return Conditions(
        speed=np.ones(hours),
        viscosity_m2s=np.full(hours, viscosity_m2s),
        sump_rise_m=np.zeros(hours),
        pump_factor=np.ones(hours),
        riser_k=np.zeros(hours),
        branch_k=np.zeros((hours, branches)),
    )


class Engine:
    """A manifold in the engine; use it in a `with` block, for the engine's memory must be given back."""

    def __init__(self, manifold: Manifold) -> None:
        self._manifold = manifold
        self._project: Any = engine.createproject()
        engine.init(self._project, os.devnull, "", engine.LPM, engine.DW)
        for option, value in ((engine.ACCURACY, ACCURACY), (engine.HEADERROR, 1e-7), (engine.FLOWCHANGE, 1e-7)):
            engine.setoption(self._project, option, value)
        engine.setoption(self._project, engine.TRIALS, 500)
        self._fouled = 1.0
        self._build()

    def __enter__(self) -> Self:
        """The engine, ready to solve."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Give the engine's memory back."""
        engine.closeH(self._project)
        engine.deleteproject(self._project)

    def flows_m3s(self, asked: Conditions) -> Floats:
        """[T, B] flow of every branch.

        Raises:
            ArithmeticError: the engine has not balanced an hour.
        """
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of heads below 0; whether it balanced is looked at below
            return np.array([self._hour(asked, hour) for hour in range(len(asked.speed))]) * LPM

    def _build(self) -> None:
        project, manifold = self._project, self._manifold
        engine.addnode(project, "sump", engine.RESERVOIR)
        engine.addnode(project, "pump", engine.JUNCTION)
        for tee in range(manifold.tees):
            engine.addnode(project, f"tee{tee}", engine.JUNCTION)
        engine.addcurve(project, "lift")
        self._write_pump(1.0)
        self._pump = engine.addlink(project, "pump", engine.PUMP, "sump", "pump")
        engine.setlinkvalue(project, self._pump, engine.PUMP_HCURVE, engine.getcurveindex(project, "lift"))
        self._riser = self._add_pipe("riser", "pump", "tee0", manifold.riser)
        for tee in range(1, manifold.tees):
            self._add_pipe(f"header{tee}", f"tee{tee - 1}", f"tee{tee}", manifold.header)
        self._branches = [self._add_branch(place) for place in range(len(manifold.branches))]
        self._sump = engine.getnodeindex(project, "sump")
        self._sunk = [
            engine.getnodeindex(project, f"out{place}")
            for place, branch in enumerate(manifold.branches)
            if branch.lift_m == 0.0
        ]
        engine.openH(project)

    def _add_pipe(self, name: str, start: str, end: str, pipe: Pipework, *, one_way: bool = False) -> int:
        link = engine.addlink(self._project, name, engine.CVPIPE if one_way else engine.PIPE, start, end)
        engine.setpipedata(self._project, link, pipe.length_m, 1e3 * pipe.bore_m, 1e3 * ROUGHNESS_M, pipe.k)
        return int(link)

    def _add_branch(self, place: int) -> int:
        """Its pipe (every outlet is a lip above its water, so one-way) and its bed as a table of head loss."""
        branch, project = self._manifold.branches[place], self._project
        node = engine.addnode(project, f"out{place}", engine.RESERVOIR)
        engine.setnodevalue(project, node, engine.ELEVATION, branch.lift_m)
        linear, quadratic = branch.bed
        if quadratic <= 0:
            return self._add_pipe(f"branch{place}", f"tee{branch.tee}", f"out{place}", branch.pipe, one_way=True)
        engine.addnode(project, f"bed{place}", engine.JUNCTION)
        flow = WIDEST * branch.flow_m3s * np.linspace(0.0, 1.0, BED_POINTS) ** 2
        engine.addcurve(project, f"bed{place}")
        curve = engine.getcurveindex(project, f"bed{place}")
        for point, (q, h) in enumerate(zip(flow, linear * flow + quadratic * flow**2, strict=True), start=1):
            engine.setcurvevalue(project, curve, point, float(q / LPM), float(h))
        valve = engine.addlink(project, f"bed{place}", engine.GPV, f"bed{place}", f"out{place}")
        engine.setlinkvalue(project, valve, engine.GPV_CURVE, curve)
        return self._add_pipe(f"branch{place}", f"tee{branch.tee}", f"bed{place}", branch.pipe, one_way=True)

    def _write_pump(self, factor: float) -> None:
        curve = engine.getcurveindex(self._project, "lift")
        flow_factor = 1.0 - 0.6 * (1.0 - factor)
        for point, (flow_m3s, head_m) in enumerate(self._manifold.pump, start=1):
            engine.setcurvevalue(self._project, curve, point, flow_m3s / LPM * flow_factor, head_m * factor)

    def _foul(self, factor: float) -> None:
        """Another pump curve; the engine fits its power law to the points only when it opens."""
        if factor == self._fouled:
            return
        engine.closeH(self._project)
        self._write_pump(factor)
        engine.setheadcurveindex(self._project, self._pump, engine.getcurveindex(self._project, "lift"))
        engine.openH(self._project)
        self._fouled = factor

    def _hour(self, asked: Conditions, hour: int) -> list[float]:
        project = self._project
        self._foul(float(asked.pump_factor[hour]))
        engine.setoption(project, engine.SP_VISCOS, float(asked.viscosity_m2s[hour]) / UNIT_VISCOSITY_M2S)
        for node in (self._sump, *self._sunk):
            engine.setnodevalue(project, node, engine.ELEVATION, float(asked.sump_rise_m[hour]))
        engine.setlinkvalue(project, self._pump, engine.INITSETTING, float(asked.speed[hour]))
        riser_k = self._manifold.riser.k + float(asked.riser_k[hour])
        engine.setlinkvalue(project, self._riser, engine.MINORLOSS, riser_k)
        for place, link in enumerate(self._branches):
            k = self._manifold.branches[place].pipe.k + float(asked.branch_k[hour, place])
            engine.setlinkvalue(project, link, engine.MINORLOSS, k)
        engine.initH(project, engine.INITFLOW)
        engine.runH(project)
        if engine.getstatistic(project, engine.RELATIVEERROR) > ACCURACY:
            raise ArithmeticError(f"the engine has not balanced hour {hour}")
        return [float(engine.getlinkvalue(project, link, engine.FLOW)) for link in self._branches]

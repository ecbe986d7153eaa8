"""A plant as EPANET sees it: built through the engine's toolkit, solved by the engine, read back in SI.

The engine has the same losses to work with (the elements' coefficients), and nothing else of ours: its friction law,
its constants, its matrix, its own way to close check valves and pumps. It is never run on from one case to the next:
each case starts cold, since a warm start shifts its answers by up to 0.06 %.
"""

import math
import os
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

import epanet.toolkit as engine
import numpy as np

from analysis.hydraulics.circuit import Network
from analysis.hydraulics.elements import Constants, ElementLoss
from analysis.hydraulics.friction import FrictionLaw
from config.plant import PUMP_NODE

LPM_PER_M3S = 60_000.0
EPANET_GRAVITY_M_S2 = 32.2 * 0.3048
_FOOT_M = 0.3048

# 0.02517 stands for 8 / (pi^2 g) in feet and seconds, a little less than it is.
EPANET_CONSTANTS = Constants(
    gravity_m_s2=EPANET_GRAVITY_M_S2,
    minor_loss_scale=0.02517 * math.pi**2 * 32.2 / 8.0,
    law=FrictionLaw.SWAMEE_JAIN,
)

_ACCURACY = 1e-5
_MEDIA_POINTS = 400
_UNIT_VISCOSITY_M2S = 1.1e-5 * _FOOT_M**2


@dataclass(slots=True, kw_only=True)
class _RunLinks:
    """A run in the engine: its first pipe, which carries all its minor losses, and what they come to as K.

    The first pipe may have a check valve, and then cannot be shut: the last one is shut instead.
    """

    first_pipe: int
    last_pipe: int
    bore_m: float
    k: float


class EpanetModel:
    """A network in the engine; a context manager, since the engine's project must be closed.

    Args:
        network: the network; its outlets are reservoirs, its sump is one at 0 m.
        viscosity_m2s: of the water; the network's own by default.

    `power_w` is what the pump took in the last solved state, W, of the engine's water of 1000 kg/m3 or so.
    """

    def __init__(self, network: Network, *, viscosity_m2s: float | None = None) -> None:
        self.network = network
        self.project: Any = engine.createproject()
        engine.init(self.project, os.devnull, "", engine.LPM, engine.DW)  # its report would go to standard output
        self._set_options(network.viscosity_m2s if viscosity_m2s is None else viscosity_m2s)
        self._add_nodes()
        self._pump = self._add_pump()
        self.power_w = np.nan
        self._runs = [self._add_run(index) for index in range(len(network.runs))]

    def __enter__(self) -> Self:
        """The model itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Give the engine's memory back."""
        engine.deleteproject(self.project)

    def flows_m3s(
        self, *, speed: float = 1.0, added_k: Sequence[float] | None = None, closed: Sequence[bool] | None = None
    ) -> np.ndarray:
        """[R] flow of every run, m3/s, from a cold start.

        Args:
            speed: fraction of full speed.
            added_k: [R] further loss of each run, h = k Q |Q|, s2/m5.
            closed: [R] runs that let nothing pass.
        """
        engine.setlinkvalue(self.project, self._pump, engine.INITSETTING, speed)
        for index, run in enumerate(self._runs):
            extra = 0.0 if added_k is None else _k_on(added_k[index], run.bore_m, EPANET_CONSTANTS)
            engine.setlinkvalue(self.project, run.first_pipe, engine.MINORLOSS, run.k + extra)
            shut = closed is not None and closed[index]
            if run.last_pipe != run.first_pipe or not self.network.one_way[index]:
                engine.setlinkvalue(self.project, run.last_pipe, engine.INITSTATUS, 0 if shut else 1)
            elif shut:
                raise ValueError("the engine cannot shut a run that is one pipe with a check valve")
        engine.openH(self.project)
        engine.initH(self.project, engine.INITFLOW)
        with warnings.catch_warnings():
            warnings.simplefilter(
                "ignore"
            )  # of heads below 0 and of pumps beyond their curve; balance is looked at here
            engine.runH(self.project)
        if engine.getstatistic(self.project, engine.RELATIVEERROR) > _ACCURACY:
            raise ArithmeticError("the engine has not balanced its network")
        flows = [engine.getlinkvalue(self.project, run.first_pipe, engine.FLOW) for run in self._runs]
        self.power_w = 1000.0 * engine.getlinkvalue(self.project, self._pump, engine.ENERGY)
        engine.closeH(self.project)
        return np.array(flows) / LPM_PER_M3S

    def set_efficiency(self, points: np.ndarray) -> None:
        """Give the pump an efficiency curve: [K, 2] of m3/s and per cent; straight between its points."""
        curve = self._add_curve("efficiency", points * [LPM_PER_M3S, 1.0])
        engine.setlinkvalue(self.project, self._pump, engine.PUMP_ECURVE, curve)

    def first_pipe(self, run: int) -> tuple[str, float]:
        """Link's name and K of the pipe that carries a run's minor losses."""
        return engine.getlinkid(self.project, self._runs[run].first_pipe), self._runs[run].k

    def _set_options(self, viscosity_m2s: float) -> None:
        for option, value in (
            (engine.TRIALS, 500),
            (engine.ACCURACY, _ACCURACY),
            (engine.HEADERROR, 1e-7),
            (engine.FLOWCHANGE, 1e-7),
            (engine.SP_VISCOS, viscosity_m2s / _UNIT_VISCOSITY_M2S),
        ):
            engine.setoption(self.project, option, value)

    def _add_nodes(self) -> None:
        self._add_node("sump", engine.RESERVOIR, 0.0)
        for index in range(len(self.network.nodes)):
            self._add_node(self._node_id(index), engine.JUNCTION, 0.0)
        for index, outlet_m in enumerate(self.network.outlet_m):
            if self.network.end[index] < 0:
                self._add_node(f"out{index}", engine.RESERVOIR, float(outlet_m))

    def _add_node(self, name: str, kind: int, elevation_m: float) -> None:
        node = engine.addnode(self.project, name, kind)
        engine.setnodevalue(self.project, node, engine.ELEVATION, elevation_m)

    def _add_pump(self) -> int:
        pump = self.network.pump
        flow = np.array([0.0, 0.5, 0.9]) * pump.widest_m3s
        points = np.stack([flow * LPM_PER_M3S, pump.at(flow)[0]], axis=1)
        link = engine.addlink(self.project, PUMP_NODE, engine.PUMP, "sump", self._node_id(0))
        engine.setheadcurveindex(self.project, link, self._add_curve("pump", points))
        return int(link)

    def _add_run(self, index: int) -> _RunLinks:
        """Pipes in a row, all minor losses on the first, the media between it and the rest."""
        network = self.network
        elements = [element for element in network.elements if element.run == index]
        pipes = [element.friction for element in elements if element.friction is not None]
        if len(pipes) == 1 and any(element.media for element in elements):
            half = pipes[0].length_m / 2.0
            lengths, pipes = [half, half], [pipes[0], pipes[0]]
        else:
            lengths = [pipe.length_m for pipe in pipes]
        start, end = self._node_id(int(network.start[index])), self._end_id(index)
        k = _k_on(float(network.minor_s2_m5[index]), pipes[0].bore_m, network.constants)
        links: list[int] = []
        for place, (pipe, length_m) in enumerate(zip(pipes, lengths, strict=True)):
            last = place == len(pipes) - 1
            node = end if last else self._inner_node(index, place)
            kind = engine.CVPIPE if place == 0 and network.one_way[index] else engine.PIPE
            link = engine.addlink(self.project, f"r{index}p{place}", kind, start, node)
            bore_mm, rough_mm = pipe.bore_m * 1e3, pipe.roughness_m * 1e3
            engine.setpipedata(self.project, link, length_m, bore_mm, rough_mm, k if place == 0 else 0.0)
            links.append(int(link))
            start = node
            if place == 0:
                start = self._add_media(index, elements, start)
        return _RunLinks(first_pipe=links[0], last_pipe=links[-1], bore_m=pipes[0].bore_m, k=k)

    def _add_media(self, index: int, elements: Sequence[ElementLoss], start: str) -> str:
        """Devices and beds as one valve with a table of head loss; the node behind it."""
        losses = [element.loss for element in elements if element.media]
        if not losses:
            return start
        linear = sum(loss.linear_s_m2 + loss.viscous_per_m4 * self.network.viscosity_m2s for loss in losses)
        quadratic = sum(loss.quadratic_s2_m5 for loss in losses)
        flow = self.network.pump.widest_m3s * np.linspace(0.0, 1.0, _MEDIA_POINTS) ** 2
        table = np.stack([flow * LPM_PER_M3S, linear * flow + quadratic * flow**2], axis=1)
        node = self._inner_node(index, 99)
        link = engine.addlink(self.project, f"r{index}m", engine.GPV, start, node)
        curve = self._add_curve(f"media{index}", table)
        engine.setlinkvalue(self.project, link, engine.GPV_CURVE, curve)
        return node

    def _add_curve(self, name: str, points: np.ndarray) -> int:
        engine.addcurve(self.project, name)
        curve = engine.getcurveindex(self.project, name)
        for place, (x, y) in enumerate(points, start=1):
            engine.setcurvevalue(self.project, curve, place, float(x), float(y))
        return int(curve)

    def _inner_node(self, index: int, place: int) -> str:
        name = f"r{index}n{place}"
        self._add_node(name, engine.JUNCTION, 0.0)
        return name

    def _node_id(self, index: int) -> str:
        return f"node{index}"

    def _end_id(self, index: int) -> str:
        end = int(self.network.end[index])
        return f"out{index}" if end < 0 else self._node_id(end)


def _k_on(quadratic_s2_m5: float, bore_m: float, constants: Constants) -> float:
    """K on a bore of h = c Q |Q|, as the constants make it."""
    scale = 8.0 * constants.minor_loss_scale / (math.pi**2 * constants.gravity_m_s2)
    return quadratic_s2_m5 * bore_m**4 / scale

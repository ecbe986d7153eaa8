"""The manifold of tests/published/epanet_reference.json as a plant, and its cases as conditions."""

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from analysis.frames import Floats
from analysis.hydraulics.network import Conditions, Constants, Network
from config.plant import Device, Element, FixedK, Pipe, Plant, Pump, Run, Water

LPH_M3S = 1.0 / 3.6e6
FILE = Path(__file__).parents[1] / "published" / "epanet_reference.json"

# Runs of the tree: where from, the links in a row, and the node or reservoir where to. The suction pipe lies in the
# run that the pump feeds: a loss before the pump costs what it costs behind it.
_RUNS = {
    "RISE": ("pump", ("SUC", "RISE"), "J0"),
    "RET": ("J0", ("RET",), "DISPLAY"),
    "T1": ("J0", ("T1",), "J1"),
    "T2": ("J1", ("T2",), "J2"),
    "T3": ("J2", ("T3",), "J3"),
    "T4": ("J3", ("T4",), "J4"),
    "T5": ("J4", ("T5",), "J5"),
    "B1p": ("J1", ("B1p", "V1", "B1q"), "O1"),
    "B2p": ("J2", ("B2p", "M2", "B2q"), "O2"),
    "B3p": ("J3", ("B3p", "M3", "B3q"), "O3"),
    "B4p": ("J4", ("B4p", "V4", "B4q"), "O4"),
    "B5p": ("J5", ("B5p", "B5q"), "O5"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What the file holds."""

    data: dict[str, Any]

    @property
    def cases(self) -> dict[str, dict[str, Any]]:
        """The cases by name."""
        found: dict[str, dict[str, Any]] = self.data["scenarios"]
        return found

    def plant(self, *, submerged: bool = True) -> Plant:
        """The plant; its outlets are reservoirs, so water may run back unless `submerged` is off."""
        runs = tuple(
            self._run(name, start, links, to, submerged=submerged) for name, (start, links, to) in _RUNS.items()
        )
        curve = tuple((flow * LPH_M3S, head) for flow, head in self.data["pump_points_Lph_m"])
        return Plant(name="reference", water=Water(), pump=Pump(curve=curve), runs=runs)

    def _run(self, name: str, start: str, links: Sequence[str], to: str, *, submerged: bool) -> Run:
        path = tuple(element for link in links for element in self._elements(link))
        heads = self.data["reservoir_heads_m"]
        if to in heads:
            return Run(name=name, start=start, outlet_m=heads[to], submerged=submerged, path=path)
        return Run(name=name, start=start, end=to, path=path)

    def _elements(self, link: str) -> tuple[Element, ...]:
        for pipe in self.data["pipes"]:
            if pipe["id"] == link:
                made = Pipe(
                    label=link, bore_m=pipe["bore_m"], length_m=pipe["length_m"], roughness_m=pipe["roughness_m"]
                )
                return (made, FixedK(k=pipe["K"]))
        for valve in self.data["throttles"]:
            if valve["id"] == link:
                return (FixedK(k=valve["K"]),)
        return (Device(name=link, loss=tuple((q * LPH_M3S, self.media_head_m(q)) for q in (200.0, 600.0))),)

    def media_head_m(self, flow_l_per_h: float) -> float:
        """Head loss of media B by its formula, m."""
        media = self.data["media_linear_quadratic"][0]
        return float(media["a_m_per_Lph"] * flow_l_per_h + media["b_m_per_Lph2"] * flow_l_per_h**2)

    def media_table_factor(self, flow_l_per_h: float) -> float:
        """Head loss of media B read straight between the points of its table, over that by its formula."""
        step = self.data["gpv_table_step_Lph"]
        low = step * math.floor(flow_l_per_h / step)
        share = (flow_l_per_h - low) / step
        read = (1.0 - share) * self.media_head_m(low) + share * self.media_head_m(low + step)
        return float(read / self.media_head_m(flow_l_per_h))

    def conditions(self, name: str, network: Network, *, constants: Constants) -> Conditions:
        """A case as conditions of the network."""
        case = self.cases[name]
        definition = case["definition"]
        added = np.zeros(len(network.runs))
        bores = {pipe["id"]: pipe["bore_m"] for pipe in self.data["pipes"]}
        for link, k in case["extra_K_on_link"].items():
            per_k = constants.minor_loss_scale * 8.0 / (math.pi**2 * constants.gravity_m_s2 * bores[link] ** 4)
            added[network.run_index(link)] += k * per_k
        closed = np.array([run in definition.get("closed", ()) for run in network.runs])
        return Conditions(
            speed=definition.get("speed", 1.0),
            head_factor=definition.get("head_factor", 1.0),
            flow_factor=definition.get("flow_factor", 1.0),
            viscosity_m2s=definition.get("nu", self.data["nu_m2s"]),
            added_k=added,
            closed=closed,
        )

    def flows_l_per_h(self, name: str, network: Network) -> Floats:
        """[R] flows that the engine gave, L/h."""
        flows = self.cases[name]["epanet_q"]
        return np.array([flows[run] for run in network.runs])

    def heads_m(self, name: str, network: Network) -> Floats:
        """[N] heads that the engine gave, m; behind the suction pipe for the pump's outlet."""
        heads = self.cases[name]["epanet_H"]
        return np.array([heads["P0" if node == "pump" else node] for node in network.nodes])


def load_reference() -> Reference:
    """Read the file."""
    return Reference(data=json.loads(FILE.read_text(encoding="utf-8")))

"""The pump's curve, the manifold's own, and where they meet, at several speeds.

The manifold's curve (the system curve) is the head that it needs at the pump's outlet for each flow; it is found by
solving the same network under pumps of many strengths, so that every outlet that begins or stops to flow is in it.
"""

from dataclasses import dataclass, replace

import numpy as np

from analysis.frames import Floats
from analysis.hydraulics.network import AS_BUILT, STANDARD, Conditions, Constants, Network, compile_network, solve
from analysis.hydraulics.pump import pump_head
from config.errors import NoSolution
from config.plant import Plant

SPEEDS = (1.0, 0.8, 0.6)
ALIKE = 0.02
CURVE_POINTS = 61
STRENGTHS = (0.01, 20.0, 70)
NEAR_NOUGHT = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class AtSpeed:
    """The pump at one speed, a fraction of full speed.

    Attributes:
        flow_m3s, head_m: [61] its curve, down to no head.
        pump_flow_m3s, pump_head_m: the operating point; run_flow_m3s: [R] the flow of every run there.
    """

    speed: float
    flow_m3s: Floats
    head_m: Floats
    pump_flow_m3s: float
    pump_head_m: float
    run_flow_m3s: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpChart:
    """Pump and manifold.

    Attributes:
        speeds: fastest first. asked: the index of the one that the plant runs at.
        system_flow_m3s, system_head_m: [S] the manifold's curve, flow rising.
    """

    speeds: tuple[AtSpeed, ...]
    asked: int
    system_flow_m3s: Floats
    system_head_m: Floats

    @property
    def now(self) -> AtSpeed:
        """The speed that the plant runs at."""
        return self.speeds[self.asked]


def pump_chart(plant: Plant, *, conditions: Conditions = AS_BUILT, constants: Constants = STANDARD) -> PumpChart:
    """Pump and manifold of a plant.

    Args:
        plant: as built.
        conditions: how it runs, one case.
        constants: what the equations are worked with.

    Raises:
        NoSolution: there is no operating point at one of the speeds.
        InputUnusable: a tree that hangs on nothing.
    """
    network = compile_network(plant, constants=constants)
    own = network.speed if conditions.speed is None else float(np.asarray(conditions.speed).reshape(-1)[0])
    speeds = np.array(sorted([own, *(speed for speed in SPEEDS if abs(speed - own) > ALIKE)], reverse=True))
    system_flow, system_head = _system_curve(network, conditions)
    return PumpChart(
        speeds=_at_speeds(network, conditions, speeds),
        asked=int(np.flatnonzero(speeds == own)[0]),
        system_flow_m3s=system_flow,
        system_head_m=system_head,
    )


def _at_speeds(network: Network, conditions: Conditions, speeds: Floats) -> tuple[AtSpeed, ...]:
    solution = solve(network, replace(conditions, speed=speeds))
    if not solution.converged.all():
        worst = speeds[~solution.converged][0]
        raise NoSolution(f"the manifold has no operating point that the solver can find at {worst:.0%} of full speed")
    found = []
    for case, speed in enumerate(speeds):
        flow, head = _curve(network, conditions, float(speed))
        found.append(
            AtSpeed(
                speed=float(speed),
                flow_m3s=flow,
                head_m=head,
                pump_flow_m3s=float(solution.pump_flow_m3s[case]),
                pump_head_m=float(solution.pump_head_m[case]),
                run_flow_m3s=solution.flow_m3s[case],
            )
        )
    return tuple(found)


def _curve(network: Network, conditions: Conditions, speed: float) -> tuple[Floats, Floats]:
    """[61] and [61] flow and head of the pump at a speed, down to no head."""
    stretch = _one(conditions.flow_factor)
    flow = np.linspace(0.0, network.pump.widest_m3s * speed * stretch, CURVE_POINTS)
    head, _ = pump_head(network.pump, flow, speed=speed, head_factor=_one(conditions.head_factor), flow_factor=stretch)
    return flow, np.maximum(head, 0.0)


def _one(value: float | Floats) -> float:
    return float(np.asarray(value, dtype=np.float64).reshape(-1)[0])


def _system_curve(network: Network, conditions: Conditions) -> tuple[Floats, Floats]:
    """[S] and [S] flow and head that the manifold needs, from where it begins to take water."""
    strength = np.geomspace(*STRENGTHS)
    flow, head = _under(network, conditions, strength)
    idle = np.flatnonzero(flow <= 0.0)
    if idle.size and idle[-1] + 1 < flow.size:
        weak, strong = strength[idle[-1]], strength[idle[-1] + 1]
        # Close to where the first outlet begins the flow jumps: half of it comes with a thousandth of the strength.
        more = weak + (strong - weak) * np.linspace(0.0, 1.0, NEAR_NOUGHT) ** 3
        close_flow, close_head = _under(network, conditions, more)
        flow, head = np.concatenate([flow, close_flow]), np.concatenate([head, close_head])
    moving = flow > 0.0
    order = np.argsort(flow[moving], kind="stable")
    return flow[moving][order], head[moving][order]


def _under(network: Network, conditions: Conditions, strength: Floats) -> tuple[Floats, Floats]:
    """Operating points under pumps of so many times the head, at full speed; those that were found."""
    stronger = replace(conditions, speed=1.0, head_factor=_one(conditions.head_factor) * strength)
    solution = solve(network, stronger)
    flow = np.where(solution.converged, solution.pump_flow_m3s, 0.0)
    return flow, solution.pump_head_m

"""What flow every branch should get: the plant as built, solved, with where the head goes and what to mind."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from analysis.design.costs import Cost, costliest
from analysis.frames import Floats
from analysis.hydraulics.fittings import SHUT_DEG
from analysis.hydraulics.fluid import density_kg_m3, kinematic_viscosity_m2s
from analysis.hydraulics.friction import LAMINAR_BELOW_RE, TURBULENT_ABOVE_RE
from analysis.hydraulics.grains import lift_flows_m3s, lifted_head_m, sinking_velocity_m_s
from analysis.hydraulics.network import (
    AS_BUILT,
    STANDARD,
    Conditions,
    Constants,
    ElementHead,
    Network,
    Solution,
    TeeLaw,
    compile_network,
    losses_by_element,
    solve,
    solve_one,
)
from config.plant import CheckValve, CheckValveKind, MediaBed, Plant, Run, Target, Valve
from config.units import show_flow, show_head, show_velocity

FAST_M_S = 1.5  # common practice, no source: above it plastic plumbing gets noisy and loses head quickly

# How far catalogue figures stray, one standard deviation: published K-factors of one fitting 20 %, a reactor's stated
# loss 30 %, a small pump's curve 4 % in head and 5 % in flow (ISO 9906 allows pumps below 10 kW 8 % and 10 %; those
# figures are from memory, and are taken for two standard deviations), a bore 1 %, and so the loss in it 5 % (its fifth
# power).
K_SPREAD = 0.20
BORE_SPREAD = 0.05
MEDIA_SPREAD = 0.30
PUMP_HEAD_SPREAD = 0.04
PUMP_FLOW_SPREAD = 0.05
RUN_SPREAD = float(np.hypot(K_SPREAD, BORE_SPREAD))  # both at once, for a whole run
GRAIN_KG_M3 = (1300.0, 1700.0)  # wet grains of carbon, Davis, Water and Wastewater Engineering (2010), table 11-1
_DRAWS = 400
_SEED = 20_261
_INTERVAL = (0.05, 0.95)
_UNTIL_DRY = "it lasts until air gets in at that outlet, then the manifold is dry, so no target counts as met"


class Regime(StrEnum):
    """How the water flows in the pipes of a run."""

    STILL = "still"
    LAMINAR = "laminar"
    TRANSITION = "transition"
    TURBULENT = "turbulent"


class Verdict(StrEnum):
    """A branch's flow against its target."""

    ON_TARGET = "on target"
    TOO_LOW = "too low"
    TOO_HIGH = "too high"
    NO_TARGET = "no target"


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictedRun:
    """A run at the operating point.

    Attributes:
        name: of the run. is_branch: it ends at an outlet.
        flow_m3s: outward positive. low_m3s, high_m3s: its 90 % interval, for catalogue figures stray.
        velocity_m_s: the highest in any pipe of the run; 0 without a pipe.
        regime: the least turbulent of its pipes.
        head_loss_m: along the whole run.
        target: as written. verdict: of the flow against it. sure: the whole interval agrees with the verdict.
        losses: every element in order.
        warnings: what to mind, in the keeper's words.
    """

    name: str
    is_branch: bool
    flow_m3s: float
    low_m3s: float
    high_m3s: float
    velocity_m_s: float
    regime: Regime
    head_loss_m: float
    target: Target | None
    verdict: Verdict
    sure: bool
    losses: tuple[ElementHead, ...]
    warnings: tuple[str, ...]

    @property
    def within_target(self) -> bool | None:
        """Whether the flow lies within the target; None without a target."""
        return None if self.verdict is Verdict.NO_TARGET else self.verdict is Verdict.ON_TARGET


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictedNode:
    """A node and the head there, m above the sump's level as built."""

    name: str
    head_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """The operating point of a plant.

    Attributes:
        pump_flow_m3s, pump_head_m, speed: the pump; `speed` is a fraction of full speed.
        runs: in file order. nodes: the pump's outlet first.
        warnings: what concerns the whole plant.
        costs: what costs each branch most head on its way from the pump, and what halving it would give.
        tees: how the loss of tees was worked out.
    """

    pump_flow_m3s: float
    pump_head_m: float
    speed: float
    runs: tuple[PredictedRun, ...]
    nodes: tuple[PredictedNode, ...]
    warnings: tuple[str, ...]
    costs: tuple[Cost, ...] = ()
    tees: TeeLaw = TeeLaw.FIXED


def predict(plant: Plant, *, conditions: Conditions | None = None, constants: Constants = STANDARD) -> Prediction:
    """Solve the plant and say of every run what it gets, against its target and with its losses.

    The intervals come from 400 solutions of the same plant with its coefficients drawn at random about their catalogue
    values (fixed seed: the same plant gives the same figures).

    Args:
        plant: the plant as built.
        conditions: how it runs, one case; as built by default.
        constants: what the equations are worked with, tees by how the flow splits among it.

    Raises:
        NoSolution: the plant has no operating point.
        InputUnusable: a tree that hangs on nothing.
    """
    network = compile_network(plant, constants=constants)
    asked = AS_BUILT if conditions is None else conditions
    solution = solve_one(network, asked)
    low, high = _flow_interval(network, asked)
    losses = losses_by_element(network, solution)
    runs = tuple(
        _predicted_run(
            run,
            flow_m3s=float(solution.flow_m3s[0, index]),
            interval=(float(low[index]), float(high[index])),
            losses=tuple(loss for loss in losses if loss.run == run.name),
            flow_unit=plant.flow_unit,
            beds=_bed_notes(run, plant, float(solution.flow_m3s[0, index])),
            fed=bool(solution.pump_flow_m3s[0] > 0.0),
        )
        for index, run in enumerate(plant.runs)
    )
    return Prediction(
        pump_flow_m3s=float(solution.pump_flow_m3s[0]),
        pump_head_m=float(solution.pump_head_m[0]),
        speed=network.speed if asked.speed is None else float(np.asarray(asked.speed).reshape(-1)[0]),
        runs=runs,
        nodes=tuple(
            PredictedNode(name=name, head_m=float(head))
            for name, head in zip(network.nodes, solution.head_m[0], strict=True)
        ),
        warnings=_plant_warnings(plant, network, solution),
        costs=costliest(network, asked),
        tees=constants.tees,
    )


def _flow_interval(network: Network, conditions: Conditions) -> tuple[Floats, Floats]:
    """[R] and [R] 5 % and 95 % points of every flow, over plants that the same catalogue figures could stand for."""
    random = np.random.default_rng(_SEED)
    shape = (_DRAWS, len(network.runs))
    drawn = replace(
        conditions,
        resistance=conditions.resistance * np.exp(RUN_SPREAD * random.standard_normal(shape)),
        media_resistance=conditions.media_resistance * np.exp(MEDIA_SPREAD * random.standard_normal(shape)),
        head_factor=conditions.head_factor * np.exp(PUMP_HEAD_SPREAD * random.standard_normal(_DRAWS)),
        flow_factor=conditions.flow_factor * np.exp(PUMP_FLOW_SPREAD * random.standard_normal(_DRAWS)),
    )
    solution = solve(network, drawn)
    low, high = np.quantile(solution.flow_m3s[solution.converged], _INTERVAL, axis=0)
    return low, high


def _predicted_run(  # noqa: PLR0913 - what is known of one run
    run: Run,
    *,
    flow_m3s: float,
    interval: tuple[float, float],
    losses: tuple[ElementHead, ...],
    flow_unit: str,
    beds: tuple[str, ...],
    fed: bool,
) -> PredictedRun:
    """One run; where the pump feeds nothing (`fed`), what runs is a tank that empties, and no target is met by that."""
    pipes = [loss for loss in losses if loss.kind == "pipe"]
    velocity = max((abs(pipe.velocity_m_s) for pipe in pipes), default=0.0)
    regime = _regime(min((pipe.reynolds for pipe in pipes), default=np.inf))
    verdict, *others = (_verdict(flow if fed else 0.0, run.target) for flow in (flow_m3s, *interval))
    return PredictedRun(
        name=run.name,
        is_branch=run.is_branch,
        flow_m3s=flow_m3s,
        low_m3s=interval[0],
        high_m3s=interval[1],
        velocity_m_s=velocity,
        regime=regime,
        head_loss_m=sum(loss.head_loss_m for loss in losses),
        target=run.target,
        verdict=verdict,
        sure=all(other is verdict for other in others),
        losses=losses,
        warnings=(*_run_warnings(run, flow_m3s, velocity, regime, flow_unit), *beds),
    )


def _regime(reynolds: float) -> Regime:
    if reynolds == 0.0:
        return Regime.STILL
    if reynolds <= LAMINAR_BELOW_RE:
        return Regime.LAMINAR
    return Regime.TRANSITION if reynolds < TURBULENT_ABOVE_RE else Regime.TURBULENT


def _verdict(flow_m3s: float, target: Target | None) -> Verdict:
    if target is None or (target.low_m3s is None and target.high_m3s is None):
        return Verdict.NO_TARGET
    if target.low_m3s is not None and flow_m3s < target.low_m3s:
        return Verdict.TOO_LOW
    if target.high_m3s is not None and flow_m3s > target.high_m3s:
        return Verdict.TOO_HIGH
    return Verdict.ON_TARGET


def _run_warnings(run: Run, flow_m3s: float, velocity_m_s: float, regime: Regime, flow_unit: str) -> tuple[str, ...]:
    found = []
    if flow_m3s == 0.0 and run.is_branch:
        shut = any(isinstance(element, Valve) and element.closed_deg >= SHUT_DEG for element in run.path)
        found.append(f"gets no water: {'its valve is shut' if shut else 'the head does not reach its outlet'}")
    if flow_m3s < 0.0 and run.is_branch:
        found.append("runs backward, out of its outlet into the manifold, until air gets in there")
    if velocity_m_s > FAST_M_S:
        fast, usual = show_velocity(velocity_m_s, flow_unit), show_velocity(FAST_M_S, flow_unit)
        found.append(f"{fast} is fast; up to {usual} is common practice (no source)")
    if regime is Regime.TRANSITION:
        found.append("flow between laminar and turbulent: its friction is uncertain by some 30 %")
    if any(isinstance(element, CheckValve) and element.kind is CheckValveKind.BALL for element in run.path):
        found.append("ball check valve: published losses differ widely; give its maker's as a device if you have it")
    return tuple(found)


def _bed_notes(run: Run, plant: Plant, flow_m3s: float) -> tuple[str, ...]:
    """What a bed would do if water went up through it and nothing held its grains."""
    water = plant.water
    state = {
        "water_kg_m3": float(density_kg_m3(water.temperature_c, water.salinity_g_per_kg)),
        "viscosity_m2s": float(kinematic_viscosity_m2s(water.temperature_c, water.salinity_g_per_kg)),
    }
    beds = [element for element in run.path if isinstance(element, MediaBed)]
    return tuple(note for bed in beds for note in _bed_note(bed, state, flow_m3s, plant.flow_unit))


def _bed_note(bed: MediaBed, water: Mapping[str, float], flow_m3s: float, unit: str) -> list[str]:
    light, heavy = GRAIN_KG_M3
    least = lift_flows_m3s(bed, grain_kg_m3=light, **water)[0]
    most = lift_flows_m3s(bed, grain_kg_m3=heavy, **water)[1]
    if flow_m3s <= least:
        return []
    heads = [lifted_head_m(bed, grain_kg_m3=grain, water_kg_m3=water["water_kg_m3"]) for grain in GRAIN_KG_M3]
    lifts = (
        f"{bed.name}: if water goes up through it and no sponge holds the grains, they lift somewhere from "
        f"{show_flow(least, unit)} to {show_flow(most, unit)} on, and the bed then costs {show_head(heads[0], unit)} to "
        f"{show_head(heads[1], unit)} at any flow, not what is counted here"
    )
    rises_m_s = flow_m3s / (np.pi * bed.bore_m**2 / 4.0)
    if rises_m_s <= sinking_velocity_m_s(bed.grain_m, grain_kg_m3=light, **water):
        return [lifts]
    return [lifts, f"{bed.name}: at this flow loose grains of a light medium are carried out of it"]


def _plant_warnings(plant: Plant, network: Network, solution: Solution) -> tuple[str, ...]:
    found = []
    flow = float(solution.pump_flow_m3s[0])
    if len(plant.pump.curve) > 1 and flow > plant.pump.curve[-1][0]:
        found.append("the pump runs beyond the last point of its curve, where its head is a guess")
    if flow == 0.0:
        found += _stalled(plant, network, solution)
    return tuple(found)


def _stalled(plant: Plant, network: Network, solution: Solution) -> list[str]:
    """Why the pump moves no water, and where any that runs comes from."""
    asked = solution.conditions
    speed = network.speed if asked.speed is None else float(np.asarray(asked.speed).reshape(-1)[0])
    factor = float(np.asarray(asked.head_factor).reshape(-1)[0])
    lifts = show_head(factor * speed**2 * network.pump.shut_off_m, plant.flow_unit)
    told = f"the pump moves no water: at {speed:.0%} of full speed it lifts {lifts} at most, "
    backward = [
        run.name for run, flow in zip(plant.runs, solution.flow_m3s[0], strict=True) if flow < 0.0 and run.is_branch
    ]
    if not backward:
        return [told + "and no open outlet lies below that"]
    through = "" if plant.pump.check_valve else "; more runs back through the pump itself, which is not counted here"
    return [
        f"{told}and {show_head(float(solution.pump_head_m[0]), plant.flow_unit)} stands against it",
        f"what runs in the branches comes back out of {' and '.join(backward)}{through}; {_UNTIL_DRY}",
    ]

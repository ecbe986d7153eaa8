"""The manifold as arrays: a tree of runs from the pump to the outlets."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.frames import Floats, Ints
from analysis.hydraulics.elements import (
    STANDARD,
    Constants,
    ElementLoss,
    PipeFriction,
    TeeLaw,
    quadratic_s2_m5,
    run_elements,
)
from analysis.hydraulics.fluid import kinematic_viscosity_m2s
from analysis.hydraulics.pump import PumpCurve, pump_curve
from analysis.hydraulics.tees import SplitTees
from config.errors import InputUnusable
from config.plant import PUMP_NODE, CheckValve, FittingKind, Pipe, Plant, Run

Bools = NDArray[np.bool_]
_TEES = frozenset({FittingKind.TEE_RUN, FittingKind.TEE_BRANCH})


@dataclass(frozen=True, slots=True, kw_only=True)
class Segments:
    """Every stretch of one bore and roughness in a run, [S], sorted by run; each run has at least one.

    Attributes:
        run: index of the run. first: [R] index of each run's first segment.
        bore_m, length_m, roughness_m: m; a run without a pipe holds one of no length.
    """

    run: Ints
    first: Ints
    bore_m: Floats
    length_m: Floats
    roughness_m: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """A plant ready to be solved; R runs in file order, N nodes with the pump's outlet first.

    Attributes:
        runs: names of the runs. nodes: names of the nodes.
        start: [R] node that a run starts at. end: [R] node that it ends at, -1 for a branch.
        parent: [R] run that feeds it, -1 for one that starts at the pump.
        outward: indices of the runs, each after its parent.
        outlet_m: [R] height of the outlet above the sump as built; nan inside the tree.
        in_sump: [R] the outlet is at exactly 0 m, which is the sump's own surface: it follows the sump's level.
        one_way: [R] water can pass outward only: an outlet above its water, or a check valve.
        shut: [R] a valve of the run is shut.
        minor_s2_m5: [R] sum of minor losses, h = c Q |Q|, but for tees that go by the split.
        media_linear_s_m2, media_viscous_per_m4, media_quadratic_s2_m5: [R] devices and beds,
            h = (a + v nu) Q + b Q |Q|.
        segments: friction.
        pump: the curve at full speed. speed: fraction of full speed as built.
        pump_check_valve: whether the pump has a check valve.
        viscosity_m2s: of the water as built.
        constants: what the equations are worked with.
        elements: every element's loss, run by run in the order of the paths.
        tees: tees whose loss goes by the split; None where every tee has a constant K.
        tee_elements: their places among the elements, in their order.
    """

    runs: tuple[str, ...]
    nodes: tuple[str, ...]
    start: Ints
    end: Ints
    parent: Ints
    outward: tuple[int, ...]
    outlet_m: Floats
    in_sump: Bools
    one_way: Bools
    shut: Bools
    minor_s2_m5: Floats
    media_linear_s_m2: Floats
    media_viscous_per_m4: Floats
    media_quadratic_s2_m5: Floats
    segments: Segments
    pump: PumpCurve
    speed: float
    pump_check_valve: bool
    viscosity_m2s: float
    constants: Constants
    elements: tuple[ElementLoss, ...]
    tees: SplitTees | None = None
    tee_elements: tuple[int, ...] = ()

    def run_index(self, name: str) -> int:
        """Index of the run of this name; ValueError without one.

        Args:
            name: of a run.

        Returns:
            0..R-1.
        """
        return self.runs.index(name)


def compile_network(plant: Plant, *, constants: Constants = STANDARD) -> Network:
    """The plant's hydraulic network.

    Args:
        plant: the plant as built.
        constants: what the equations are worked with.

    Raises:
        InputUnusable: runs that hang on no other run, or fittings without a bore to sit on.
    """
    parent = _parents(plant.runs)
    outward = _outward(plant.runs, parent)
    elements = _elements(plant, parent, constants)
    tee_elements = _tees_at_nodes(plant.runs, elements) if constants.tees is TeeLaw.BY_SPLIT else ()
    nodes = (PUMP_NODE, *(run.end for run in plant.runs if run.end is not None))
    count = len(plant.runs)
    outlet = np.array([np.nan if run.outlet_m is None else run.outlet_m for run in plant.runs], dtype=np.float64)
    return Network(
        runs=tuple(run.name for run in plant.runs),
        nodes=nodes,
        start=np.array([nodes.index(run.start) for run in plant.runs], dtype=np.int64),
        end=np.array([-1 if run.end is None else nodes.index(run.end) for run in plant.runs], dtype=np.int64),
        parent=parent,
        outward=outward,
        outlet_m=outlet,
        in_sump=outlet == 0.0,
        one_way=np.array([_one_way(run) for run in plant.runs], dtype=np.bool_),
        shut=np.array([any(e.shut for e in elements if e.run == r) for r in range(count)], dtype=np.bool_),
        minor_s2_m5=_summed(
            count,
            [
                (e.run, e.loss.quadratic_s2_m5)
                for place, e in enumerate(elements)
                if not e.media and place not in tee_elements
            ],
        ),
        media_linear_s_m2=_summed(count, [(e.run, e.loss.linear_s_m2) for e in elements if e.media]),
        media_viscous_per_m4=_summed(count, [(e.run, e.loss.viscous_per_m4) for e in elements if e.media]),
        media_quadratic_s2_m5=_summed(count, [(e.run, e.loss.quadratic_s2_m5) for e in elements if e.media]),
        segments=_segments(count, elements),
        pump=pump_curve(plant.pump.curve),
        speed=plant.pump.speed,
        pump_check_valve=plant.pump.check_valve,
        viscosity_m2s=float(kinematic_viscosity_m2s(plant.water.temperature_c, plant.water.salinity_g_per_kg)),
        constants=constants,
        elements=elements,
        tees=_split_tees(plant.runs, parent, elements, tee_elements, constants) if tee_elements else None,
        tee_elements=tee_elements,
    )


def _parents(runs: tuple[Run, ...]) -> Ints:
    feeder = {run.end: index for index, run in enumerate(runs) if run.end is not None}
    for run in runs:
        if run.start != PUMP_NODE and run.start not in feeder:
            raise InputUnusable(f"run {run.name}: no run ends at the node {run.start}, where it starts")
    return np.array([feeder.get(run.start, -1) for run in runs], dtype=np.int64)


def _outward(runs: tuple[Run, ...], parent: Ints) -> tuple[int, ...]:
    order: list[int] = [index for index in range(len(runs)) if parent[index] < 0]
    for index in order:
        order.extend(int(child) for child in np.flatnonzero(parent == index))
    if len(order) != len(runs):
        lost = ", ".join(run.name for index, run in enumerate(runs) if index not in order)
        raise InputUnusable(f"runs that the pump does not feed: {lost}")
    return tuple(order)


def _elements(plant: Plant, parent: Ints, constants: Constants) -> tuple[ElementLoss, ...]:
    found: list[ElementLoss] = []
    for index, run in enumerate(plant.runs):
        upstream = _last_pipe(plant.runs, parent, int(parent[index]))
        found += run_elements(run, index=index, upstream=upstream, constants=constants, flow_unit=plant.flow_unit)
    return tuple(found)


def _last_pipe(runs: tuple[Run, ...], parent: Ints, index: int) -> Pipe | None:
    """The last pipe of a run, or of the nearest run before it that has one; None before any."""
    while index >= 0:
        own = [element for element in runs[index].path if isinstance(element, Pipe)]
        if own:
            return own[-1]
        index = int(parent[index])
    return None


def _tees_at_nodes(runs: tuple[Run, ...], elements: tuple[ElementLoss, ...]) -> tuple[int, ...]:
    """Places of the single tees that a run starts with, before any pipe of its own, at a node that another run feeds."""
    found: dict[int, int] = {}
    piped: set[int] = set()
    for place, element in enumerate(elements):
        if element.kind == "pipe":
            piped.add(element.run)
        is_first = element.run not in piped and element.run not in found
        if is_first and element.fitting in _TEES and element.count == 1 and runs[element.run].start != PUMP_NODE:
            found[element.run] = place
    return tuple(found.values())


def _split_tees(
    runs: tuple[Run, ...],
    parent: Ints,
    elements: tuple[ElementLoss, ...],
    places: tuple[int, ...],
    constants: Constants,
) -> SplitTees:
    """The tees at these places; behind runs without any pipe their own bore stands for the feeder's."""
    tees = [elements[place] for place in places]
    feeders = [int(parent[tee.run]) for tee in tees]
    feeding = [_last_pipe(runs, parent, feeder) for feeder in feeders]
    bores = np.array([tee.bore_m if pipe is None else pipe.bore_m for tee, pipe in zip(tees, feeding, strict=True)])
    side = {
        feeder: tee.bore_m for tee, feeder in zip(tees, feeders, strict=True) if tee.fitting is FittingKind.TEE_BRANCH
    }
    side_bores = np.array([side.get(feeder, bore) for feeder, bore in zip(feeders, bores, strict=True)])
    own = np.array([tee.fitting is FittingKind.TEE_BRANCH for tee in tees])
    return SplitTees(
        run=np.array([tee.run for tee in tees], dtype=np.int64),
        feeder=np.array(feeders, dtype=np.int64),
        is_branch=own,
        beta=np.where(own, [tee.bore_m for tee in tees], side_bores) / bores,
        combined_s2_m5=np.array([quadratic_s2_m5(1.0, float(bore), constants) for bore in bores]),
        fixed_s2_m5=np.array([tee.loss.quadratic_s2_m5 for tee in tees]),
        part=np.ones(len(tees)),
    )


def _one_way(run: Run) -> bool:
    dry_outlet = run.is_branch and not run.submerged
    return dry_outlet or any(isinstance(element, CheckValve) for element in run.path)


def _summed(count: int, terms: list[tuple[int, float]]) -> Floats:
    total = np.zeros(count)
    for run, value in terms:
        total[run] += value
    return total


def _segments(count: int, elements: tuple[ElementLoss, ...]) -> Segments:
    """Pipes of a run that share bore and roughness lie in one segment: friction goes with their whole length."""
    lengths: dict[tuple[int, float, float], float] = {}
    for element in elements:
        pipe = element.friction
        if pipe is not None:
            key = (element.run, pipe.bore_m, pipe.roughness_m)
            lengths[key] = lengths.get(key, 0.0) + pipe.length_m
    present = {run for run, _, _ in lengths}
    nothing = PipeFriction(bore_m=1.0, length_m=0.0, roughness_m=0.0)
    for run in range(count):
        if run not in present:
            lengths[run, nothing.bore_m, nothing.roughness_m] = nothing.length_m
    keys = sorted(lengths, key=lambda key: key[0])
    runs = np.array([key[0] for key in keys], dtype=np.int64)
    return Segments(
        run=runs,
        first=np.searchsorted(runs, np.arange(count)),
        bore_m=np.array([key[1] for key in keys]),
        length_m=np.array([lengths[key] for key in keys]),
        roughness_m=np.array([key[2] for key in keys]),
    )

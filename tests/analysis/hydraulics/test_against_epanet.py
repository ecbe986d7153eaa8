"""Random manifolds against the EPANET engine."""

from typing import get_args

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from analysis.frames import Floats
from analysis.hydraulics.network import (
    STANDARD,
    Conditions,
    Constants,
    Network,
    Solution,
    compile_network,
    losses_by_element,
    solve_one,
)
from config.plant import (
    Barb,
    CheckValve,
    CheckValveKind,
    Device,
    Element,
    Fitting,
    FittingKind,
    FixedK,
    MediaBed,
    Plant,
    Reducer,
    Run,
    Valve,
    ValveKind,
)
from tests.support.epanet_model import EPANET_CONSTANTS, EpanetModel
from tests.support.manifolds import LPH_M3S, pipe, plant_of

# What a branch may have beside tee, pipe and valve: by turns, so that every kind of element is in a tree of ten branches.
OWN_PARTS: tuple[tuple[Element, ...], ...] = (
    (FixedK(k=3.0),),
    (Device(name="reactor", loss=((200.0 * LPH_M3S, 0.15), (400.0 * LPH_M3S, 0.45))),),
    (MediaBed(name="bed", bore_m=0.1, depth_m=0.2, grain_m=1.1e-3, porosity=0.5),),
    (CheckValve(kind=CheckValveKind.SWING), Fitting(kind=FittingKind.COUPLING, count=2)),
    (Barb(bore_m=0.0125), pipe(0.0127, 0.8)),
    (Fitting(kind=FittingKind.ELBOW_90_LONG), Fitting(kind=FittingKind.UNION, count=2)),
    (CheckValve(kind=CheckValveKind.LIFT),),
    (Reducer(gradual=True), pipe(0.013868, 0.4)),
    (CheckValve(kind=CheckValveKind.BALL), Fitting(kind=FittingKind.ENTRANCE_ROUNDED)),
    (Fitting(kind=FittingKind.ELBOW_45, count=3), Fitting(kind=FittingKind.TEE_RUN)),
)
BORES_M = (0.015799, 0.020930, 0.026645, 0.035052)
ENTRANCES = (FittingKind.ENTRANCE_SHARP, FittingKind.ENTRANCE_PROJECTING, FittingKind.ENTRANCE_ROUNDED)


def random_plant(random: np.random.Generator, branches: int, *, dry: bool) -> Plant:
    """A riser, then branches that hang on one another's nodes at random, each behind a trunk piece or at a tee."""
    entrance = Fitting(kind=ENTRANCES[int(random.integers(3))])
    runs = [Run(name="riser", start="pump", end="n0", path=(entrance, pipe(0.040894, 0.6), FixedK(k=1.0)))]
    nodes, first = ["n0"], int(random.integers(len(OWN_PARTS)))
    for number in range(branches):
        start = str(random.choice(nodes))
        if random.random() < 0.7:
            node = f"n{len(nodes)}"
            path = (pipe(0.026645, float(random.uniform(0.1, 1.0))), Fitting(kind=FittingKind.TEE_RUN))
            runs.append(Run(name=f"header {node}", start=start, end=node, path=path))
            nodes.append(node)
            start = node
        outlet_m = float(random.uniform(-0.5, 3.0))
        path_of = random_branch(random, number + first)
        runs.append(Run(name=f"b{number}", start=start, outlet_m=outlet_m, submerged=not dry, path=path_of))
    return plant_of(*runs)


def random_branch(random: np.random.Generator, number: int) -> tuple[Element, ...]:
    """Tee, pipe, elbows, a valve, and by turns one of the parts above."""
    bore_m = float(random.choice(BORES_M))
    path: list[Element] = [
        Fitting(kind=FittingKind.TEE_BRANCH),
        pipe(bore_m, float(random.uniform(0.3, 3.0))),
        Fitting(kind=FittingKind.ELBOW_90, count=int(random.integers(1, 5))),
        Valve(kind=list(ValveKind)[random.integers(len(ValveKind))], closed_deg=float(random.uniform(0.0, 45.0))),
        *OWN_PARTS[number % len(OWN_PARTS)],
    ]
    if random.random() < 0.5:
        path.append(pipe(float(random.choice(BORES_M)), float(random.uniform(0.2, 1.0))))
    return (*path, Fitting(kind=FittingKind.EXIT))


def both_flows(plant: Plant, constants: Constants, *, speed: float) -> tuple[Network, Solution, Floats]:
    """The network, our solution of it (NoSolution if it does not balance to 1e-9), and [R] the engine's flows, m3/s."""
    network = compile_network(plant, constants=constants)
    ours = solve_one(network, Conditions(speed=speed))
    with EpanetModel(network) as model:
        theirs = model.flows_m3s(speed=speed)
    assume(theirs[network.one_way].min(initial=0.0) > -ENGINE_LEAK_M3S)
    # Now and then the engine leaves its pump shut although an outlet lies below what it lifts: nothing runs at all then.
    lifts_m = network.pump.shut_off_m * speed**2
    assume(np.abs(theirs).max() > ENGINE_LEAK_M3S or lifts_m <= np.nanmin(network.outlet_m))
    return network, ours, theirs


# The engine leaves a check valve open while less than 1e-4 ft3/s (10 L/h) runs backward through it (its Qtol): an
# answer of it with such a leak is not one to be compared with.
ENGINE_LEAK_M3S = 1e-2 * LPH_M3S

TREES = {
    "seed": st.integers(0, 10**6),
    "branches": st.integers(2, 24),
    "dry": st.booleans(),
    "speed": st.floats(0.75, 1.0),
}


@settings(max_examples=200, deadline=None)
@given(**TREES)
def test_flows_with_the_constants_of_epanet(seed: int, branches: int, speed: float, *, dry: bool) -> None:
    """With EPANET's constants and friction law every flow above 1 % of the largest is within 0.3 % of EPANET 2.3's.

    What is left is its table of the media's loss, and its own tolerance.
    """
    plant = random_plant(np.random.default_rng(seed), branches, dry=dry)

    _, ours, theirs = both_flows(plant, EPANET_CONSTANTS, speed=speed)

    large = np.abs(theirs) > max(0.01 * np.abs(theirs).max(), ENGINE_LEAK_M3S)
    assert ours.flow_m3s[0, large] == pytest.approx(theirs[large], rel=3e-3)


@settings(max_examples=200, deadline=None)
@given(**TREES)
def test_flows_with_our_own_constants(seed: int, branches: int, speed: float, *, dry: bool) -> None:
    """With standard gravity and Colebrook's friction all flows are within 0.2 % of the largest flow of EPANET 2.3's.

    And within 0.3 % of its own flow is every branch that is well turbulent (Re 8,000 and more in all of its pipes) and
    has half a metre of head to lose. What stays outside, up to some 4 % of its own flow, is branches near Re 4,000 and
    below, where EPANET's Swamee-Jain formula lies up to 1.6 % off Colebrook's root, and such as have centimetres of
    head to spare, which EPANET's gravity, 0.08 % high, takes or gives. The test above shows that constants alone make
    the difference: with the engine's own, the same solver gives its flows.
    """
    plant = random_plant(np.random.default_rng(seed), branches, dry=dry)

    network, ours, theirs = both_flows(plant, STANDARD, speed=speed)

    largest = np.abs(theirs).max()
    assert ours.flow_m3s[0] == pytest.approx(theirs, abs=max(2e-3 * largest, ENGINE_LEAK_M3S))
    firm = [run for run in firm_branches(network, ours) if abs(theirs[run]) > 0.01 * largest]
    assert ours.flow_m3s[0, firm] == pytest.approx(theirs[firm], rel=3e-3)


def firm_branches(network: Network, solution: Solution) -> list[int]:
    """Branches that are turbulent throughout and lose half a metre and more."""
    losses = losses_by_element(network, solution)
    found = []
    for run in np.flatnonzero(network.end < 0):
        own = [loss for loss in losses if loss.run == network.runs[run]]
        turbulent = all(loss.reynolds >= 8000.0 for loss in own if loss.kind == "pipe")
        if turbulent and abs(sum(loss.head_loss_m for loss in own)) >= 0.5:
            found.append(int(run))
    return found


def test_all_kinds_of_element_are_in_the_trees() -> None:
    """Twenty of the trees hold every kind of element, fitting, valve and check valve that a plant file can have."""
    plants = [random_plant(np.random.default_rng(seed), 12, dry=False) for seed in range(20)]
    parts = [part for plant in plants for run in plant.runs for part in run.path]

    assert {type(part) for part in parts} == set(get_args(Element))
    assert {part.kind for part in parts if isinstance(part, Fitting)} == set(FittingKind)
    assert {part.kind for part in parts if isinstance(part, Valve)} == set(ValveKind)
    assert {part.kind for part in parts if isinstance(part, CheckValve)} == set(CheckValveKind)
    heights = [run.outlet_m for plant in plants for run in plant.branches if run.outlet_m is not None]
    assert min(heights) < -0.4
    assert max(heights) > 2.9


@pytest.mark.parametrize("closed", [3, 5])
def test_a_closed_run(closed: int) -> None:
    """A run closed in both: the others within 0.02 %, and EPANET leaks 0.01 L/h through it at most."""
    plant = random_plant(np.random.default_rng(5), 6, dry=False)
    network = compile_network(plant, constants=EPANET_CONSTANTS)
    shut = np.arange(len(network.runs)) == closed

    ours = solve_one(network, Conditions(closed=shut)).flow_m3s[0]

    with EpanetModel(network) as model:
        theirs = model.flows_m3s(closed=[bool(value) for value in shut])
    assert ours == pytest.approx(theirs, rel=2e-4, abs=ENGINE_LEAK_M3S)


def test_a_further_loss() -> None:
    """A loss added to one run in both: all flows within 0.02 %."""
    plant = random_plant(np.random.default_rng(6), 6, dry=False)
    network = compile_network(plant, constants=EPANET_CONSTANTS)
    added = np.where(np.arange(len(network.runs)) == len(network.runs) - 1, 2e7, 0.0)

    ours = solve_one(network, Conditions(added_k=added)).flow_m3s[0]

    with EpanetModel(network) as model:
        theirs = model.flows_m3s(added_k=added.tolist())
    assert ours == pytest.approx(theirs, rel=2e-4, abs=ENGINE_LEAK_M3S)

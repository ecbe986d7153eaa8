"""Random manifolds against the EPANET engine."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from analysis.frames import Floats
from analysis.hydraulics.network import STANDARD, Conditions, Constants, compile_network, solve_one
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
    Run,
    Valve,
    ValveKind,
)
from tests.support.epanet_model import EPANET_CONSTANTS, EpanetModel
from tests.support.manifolds import LPH_M3S, pipe, plant_of

OWN_PARTS: tuple[tuple[Element, ...], ...] = (
    (FixedK(k=3.0),),
    (Device(name="reactor", loss=((200.0 * LPH_M3S, 0.15), (400.0 * LPH_M3S, 0.45))),),
    (MediaBed(name="bed", bore_m=0.1, depth_m=0.2, grain_m=1.1e-3, porosity=0.5),),
    (CheckValve(kind=CheckValveKind.SWING),),
    (Barb(bore_m=0.0125), pipe(0.0127, 0.8)),
)
BORES_M = (0.015799, 0.020930, 0.026645, 0.035052)


def random_plant(random: np.random.Generator, branches: int, *, dry: bool) -> Plant:
    """A riser, then branches that hang on one another's nodes at random, each behind a trunk piece or at a tee."""
    runs = [Run(name="riser", start="pump", end="n0", path=(pipe(0.040894, 0.6), FixedK(k=1.0)))]
    nodes = ["n0"]
    for number in range(branches):
        start = str(random.choice(nodes))
        if random.random() < 0.7:
            node = f"n{len(nodes)}"
            path = (pipe(0.026645, float(random.uniform(0.1, 1.0))), Fitting(kind=FittingKind.TEE_RUN))
            runs.append(Run(name=f"header {node}", start=start, end=node, path=path))
            nodes.append(node)
            start = node
        outlet_m = float(random.uniform(-0.5, 3.0))
        path_of = random_branch(random, number)
        runs.append(Run(name=f"b{number}", start=start, outlet_m=outlet_m, submerged=not dry, path=path_of))
    fed = {run.start for run in runs}
    ends = [run for run in runs if run.end is not None and run.end not in fed]
    runs += [Run(name=f"x{run.end}", start=str(run.end), outlet_m=0.3, path=random_branch(random, 99)) for run in ends]
    return plant_of(*runs)


def random_branch(random: np.random.Generator, number: int) -> tuple[Element, ...]:
    """Tee, pipe, elbows, a valve, and by turns a device, a bed, a check valve or a narrower hose on barbs."""
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


def both_flows(plant: Plant, constants: Constants, *, speed: float) -> tuple[Floats, Floats]:
    """[R] our flows and [R] the engine's, m3/s."""
    network = compile_network(plant, constants=constants)
    ours = solve_one(network, Conditions(speed=speed)).flow_m3s[0]
    with EpanetModel(network) as model:
        theirs = model.flows_m3s(speed=speed)
    assume(theirs[network.one_way].min(initial=0.0) > -ENGINE_LEAK_M3S)
    return ours, theirs


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

    ours, theirs = both_flows(plant, EPANET_CONSTANTS, speed=speed)

    large = np.abs(theirs) > 0.01 * np.abs(theirs).max()
    assert ours[large] == pytest.approx(theirs[large], rel=3e-3)


@settings(max_examples=200, deadline=None)
@given(**TREES)
def test_flows_with_our_own_constants(seed: int, branches: int, speed: float, *, dry: bool) -> None:
    """With standard gravity and Serghides' friction every flow is within 0.2 % of the largest flow of EPANET 2.3's.

    EPANET's Swamee-Jain friction lies up to 1.6 % off Colebrook's near Re 4000, and its gravity is 0.08 % high, which a
    small branch with little head to spare shows as up to 4 % of its own flow (half of such trees have no flow more than
    0.2 % off): hence the largest flow as the measure.
    """
    plant = random_plant(np.random.default_rng(seed), branches, dry=dry)

    ours, theirs = both_flows(plant, STANDARD, speed=speed)

    assert ours == pytest.approx(theirs, abs=2e-3 * np.abs(theirs).max())


@pytest.mark.parametrize("closed", [3, 5])
def test_a_closed_run(closed: int) -> None:
    """A run closed in both: the others within 0.02 %, and EPANET leaks 0.01 L/h through it at most."""
    plant = random_plant(np.random.default_rng(5), 6, dry=False)
    network = compile_network(plant, constants=EPANET_CONSTANTS)
    shut = np.arange(len(network.runs)) == closed

    ours = solve_one(network, Conditions(closed=shut)).flow_m3s[0]

    with EpanetModel(network) as model:
        theirs = model.flows_m3s(closed=[bool(value) for value in shut])
    assert ours == pytest.approx(theirs, rel=2e-4, abs=1e-2 * LPH_M3S)


def test_a_further_loss() -> None:
    """A loss added to one run in both: all flows within 0.02 %."""
    plant = random_plant(np.random.default_rng(6), 6, dry=False)
    network = compile_network(plant, constants=EPANET_CONSTANTS)
    added = np.where(np.arange(len(network.runs)) == len(network.runs) - 1, 2e7, 0.0)

    ours = solve_one(network, Conditions(added_k=added)).flow_m3s[0]

    with EpanetModel(network) as model:
        theirs = model.flows_m3s(added_k=added.tolist())
    assert ours == pytest.approx(theirs, rel=2e-4, abs=1e-3 * LPH_M3S)

"""Tees by how the flow splits, in a network: slopes, borders, balance, and what they are left out of."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.design.costs import halved
from analysis.design.run_losses import run_losses_m
from analysis.hydraulics.network import (
    Conditions,
    Constants,
    Network,
    TeeLaw,
    compile_network,
    losses_by_element,
    solve,
    solve_one,
)
from analysis.hydraulics.tees import SplitTees, tee_heads_m
from config.plant import Fitting, FittingKind, Run
from tests.support.example_plants import example_plant
from tests.support.manifolds import branch, pipe, plant_of

BY_SPLIT = Constants(tees=TeeLaw.BY_SPLIT)
PLANT = example_plant()
NETWORK = compile_network(PLANT, constants=BY_SPLIT)
FLOW_M3S = 1e-3


def tees(beta: float) -> SplitTees:
    """A tee with both its ways: run 0 feeds the side way, run 1, and the straight one, run 2."""
    return SplitTees(
        run=np.array([1, 2]),
        feeder=np.array([0, 0]),
        is_branch=np.array([True, False]),
        beta=np.array([beta, beta]),
        combined_s2_m5=np.array([1.6e5, 1.6e5]),
        fixed_s2_m5=np.array([2.4e5, 0.7e5]),
        part=np.ones(2),
    )


@settings(max_examples=80, deadline=None)
@given(
    beta=st.sampled_from([0.5, 0.786, 1.0]),
    fed=st.floats(-1.0, 1.0).filter(lambda value: abs(value) > 0.01),
    own=st.floats(-1.0, 1.0),
)
def test_slopes_are_those_of_the_head(beta: float, fed: float, own: float) -> None:
    """Identity: both slopes against central differences, away from the borders between kinds of flow (1e-5)."""
    border = min(abs(own), abs(own - fed), abs(own - 0.5 * fed))
    if border < 1e-3:
        return
    flow = FLOW_M3S * np.array([[fed], [own], [own]])
    step = 1e-9

    _, by_own, by_fed = tee_heads_m(tees(beta), flow)

    for slope, rows in ((by_own, (1, 2)), (by_fed, (0,))):
        moved = np.zeros_like(flow)
        moved[list(rows)] = step
        up, down = (tee_heads_m(tees(beta), flow + sign * moved)[0] for sign in (1.0, -1.0))
        assert slope == pytest.approx((up - down) / (2.0 * step), rel=1e-5, abs=1e-3)


@pytest.mark.parametrize("beta", [0.5, 0.786, 1.0])
@pytest.mark.parametrize(("fed", "own"), [(1.0, 0.0), (1.0, 1.0), (0.0, 0.5), (0.0, -0.5), (0.0, 0.0), (-0.5, 0.0)])
def test_the_head_does_not_jump_where_a_way_turns(beta: float, fed: float, own: float) -> None:
    """Identity: on both sides of the border to reversed flow the head is the same to what 1e-9 of the flow changes."""
    flow = FLOW_M3S * np.array([[fed], [own], [own]])
    near = FLOW_M3S * 1e-9 * np.array([[[1.0], [0.0], [0.0]], [[0.0], [1.0], [1.0]]])

    heads = [tee_heads_m(tees(beta), flow + sign * moved)[0] for sign in (1.0, -1.0) for moved in near]

    for head in heads[1:]:
        assert head == pytest.approx(heads[0], abs=1e-8)


def test_cases_balance_whatever_runs_backward() -> None:
    """Identity: of 300 cases at 30 to 100 % speed, with losses drawn widely, all balance to 1e-9 of the head and flow."""
    random = np.random.default_rng(3)
    shape = (300, len(NETWORK.runs))
    conditions = Conditions(
        resistance=np.exp(0.5 * random.standard_normal(shape)), speed=random.uniform(0.3, 1.0, shape[0])
    )

    solution = solve(NETWORK, conditions)

    assert solution.converged.all()
    assert solution.energy_residual_m.max() < 1e-9 * 4.8
    assert solution.flow_m3s[:, PLANT.runs.index(next(run for run in PLANT.runs if run.name == "return"))].min() < 0.0


def test_head_along_every_way_adds_up() -> None:
    """Identity: pump's head less every element's loss on the way is the outlet's level, by-split tees included."""
    solution = solve_one(NETWORK)
    lost = dict.fromkeys(NETWORK.runs, 0.0)
    for loss in losses_by_element(NETWORK, solution):
        lost[loss.run] += loss.head_loss_m

    for run, name in enumerate(NETWORK.runs):
        end = NETWORK.end[run]
        level = NETWORK.outlet_m[run] if end < 0 else solution.head_m[0, end]
        assert solution.head_m[0, NETWORK.start[run]] - lost[name] == pytest.approx(level, abs=1e-6)


def test_losses_at_given_flows_are_the_solvers() -> None:
    """Identity: the loss of every run at the solved flows is the sum of its elements' losses."""
    solution = solve_one(NETWORK)
    lost = np.zeros(len(NETWORK.runs))
    for loss in losses_by_element(NETWORK, solution):
        lost[NETWORK.run_index(loss.run)] += loss.head_loss_m

    assert run_losses_m(NETWORK, solution.flow_m3s)[0] == pytest.approx(lost, abs=1e-9)


def test_a_tee_that_costs_half() -> None:
    """Identity: halving the scrubber's tee gives its branch more flow, and the tee half of its loss at those flows."""
    run = NETWORK.run_index("scrubber")
    place = next(at for at in NETWORK.tee_elements if NETWORK.elements[at].run == run)
    easier = halved(NETWORK, place)

    flows, before = solve_one(easier).flow_m3s[0], solve_one(NETWORK).flow_m3s[0]

    assert flows[run] > before[run]
    whole, half = (_tee_head(network, run, flows) for network in (NETWORK, easier))
    assert half == pytest.approx(0.5 * whole, rel=1e-12)


def _tee_head(network: Network, run: int, flow_m3s: np.ndarray) -> float:
    """Head lost at the tee that a run starts with."""
    assert network.tees is not None
    heads, _, _ = tee_heads_m(network.tees, flow_m3s[:, None])
    return float(heads[list(network.tees.run).index(run), 0])


def test_only_tees_at_a_node_go_by_the_split() -> None:
    """A tee behind a pipe, two tees in a row, and one right at the pump keep their constant K."""
    tee = Fitting(kind=FittingKind.TEE_RUN)
    plant = plant_of(
        Run(name="riser", start="pump", end="n", path=(tee, pipe(0.04, 0.6))),
        branch("two", replace(tee, count=2), pipe(0.02, 1.0), start="n"),
        branch("behind", pipe(0.02, 1.0), tee, start="n"),
        branch("at", tee, pipe(0.02, 1.0), start="n"),
    )

    network = compile_network(plant, constants=BY_SPLIT)

    assert [network.runs[network.elements[place].run] for place in network.tee_elements] == ["at"]


def test_constant_tees_are_the_rule() -> None:
    """Without asking for it no tee goes by the split: the engine that this is checked against has constants."""
    assert compile_network(PLANT).tees is None

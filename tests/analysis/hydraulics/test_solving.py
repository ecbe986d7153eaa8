"""The solver: what must hold of any solution, whatever the plant."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.hydraulics.network import Conditions, Network, Solution, compile_network, losses_by_element, solve
from analysis.hydraulics.network import solve_one as solved
from config.errors import InputUnusable
from config.plant import CheckValve, CheckValveKind, Plant, Pump, Run, Valve, ValveKind
from tests.support.manifolds import LPH_M3S, branch, display, pipe, plant_of, riser
from tests.support.reference_manifold import load_reference

REFERENCE = load_reference()
DRY = compile_network(REFERENCE.plant(submerged=False))
WET = compile_network(REFERENCE.plant())


def random_conditions(network: Network, seed: int, *, cases: int = 60) -> Conditions:
    """Harsh ones: a crawling pump, runs shut and clogged, outlets moved by half a metre."""
    random = np.random.default_rng(seed)
    shape = (cases, len(network.runs))
    return Conditions(
        speed=random.uniform(0.2, 1.1, cases),
        head_factor=random.uniform(0.5, 1.1, cases),
        flow_factor=random.uniform(0.5, 1.2, cases),
        sump_rise_m=random.uniform(-0.3, 0.1, cases),
        resistance=np.exp(random.normal(0.0, 1.5, shape)),
        added_k=random.choice([0.0, 0.0, 0.0, 1e7, 1e9], shape),
        outlet_rise_m=random.normal(0.0, 0.5, shape),
        closed=random.random(shape) < 0.1,
        pump_stopped=random.random(cases) < 0.1,
    )


def mass_surplus_m3s(network: Network, solution: Solution) -> float:
    """Largest flow that appears or vanishes at a node, worked out run by run."""
    surplus = np.zeros_like(solution.head_m)
    surplus[:, 0] = solution.pump_flow_m3s
    for run in range(len(network.runs)):
        surplus[:, network.start[run]] -= solution.flow_m3s[:, run]
        if network.end[run] >= 0:
            surplus[:, network.end[run]] += solution.flow_m3s[:, run]
    return float(np.abs(surplus).max())


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), dry=st.booleans())
def test_every_case_has_an_operating_point(seed: int, *, dry: bool) -> None:
    """Identity: however harsh the conditions, each case is solved, and no water is made or lost (1e-9 of the flow)."""
    network = DRY if dry else WET

    solution = solve(network, random_conditions(network, seed))

    assert solution.converged.all()
    assert mass_surplus_m3s(network, solution) < 1e-11


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_one_way_runs_never_run_backward(seed: int) -> None:
    """Identity: an outlet above its water gives no water back."""
    solution = solve(DRY, random_conditions(DRY, seed))

    assert solution.flow_m3s[:, DRY.one_way].min() >= 0.0


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_idle_one_way_branches_are_held_by_their_head(seed: int) -> None:
    """Identity: an open dry branch without flow has no head to drive it."""
    conditions = random_conditions(DRY, seed)
    solution = solve(DRY, conditions)
    idle = (solution.flow_m3s == 0.0) & DRY.one_way & ~np.asarray(conditions.closed)
    level = DRY.outlet_m + np.asarray(conditions.outlet_rise_m)

    drive = solution.head_m[:, DRY.start] - level

    assert not idle.any() or drive[idle].max() < 1e-6


def test_losses_close_the_energy_balance() -> None:
    """Identity: along each run the elements' losses, worked out anew, are the drop in head (1e-9 m)."""
    random = np.random.default_rng(7)
    resistance = np.exp(random.normal(0.0, 0.3, len(WET.runs)))
    solution = solved(WET, Conditions(resistance=resistance, media_resistance=1.7, added_k=1e6, speed=0.9))
    end = np.where(WET.end >= 0, solution.head_m[0][WET.end], WET.outlet_m)
    drop = solution.head_m[0][WET.start] - end

    losses = losses_by_element(WET, solution)

    for index, run in enumerate(WET.runs):
        total = sum(loss.head_loss_m for loss in losses if loss.run == run)
        # The solver's least slope of 1e-4 s/m2 a run, which keeps it from dividing by nought, is in no element.
        assert total == pytest.approx(drop[index], abs=1e-6)


def test_batch_is_the_same_as_one_by_one() -> None:
    """Identity: a case's answer does not depend on its company (1e-9)."""
    speed = np.linspace(0.7, 1.0, 7)

    together = solve(WET, Conditions(speed=speed))

    for case, value in enumerate(speed):
        alone = solved(WET, Conditions(speed=float(value)))
        assert together.flow_m3s[case] == pytest.approx(alone.flow_m3s[0], rel=1e-8, abs=1e-14)


def test_many_cases_pass_through_in_chunks() -> None:
    """More cases than a chunk holds come back in order."""
    speed = np.linspace(0.7, 1.0, 4000)

    solution = solve(WET, Conditions(speed=speed))

    assert solution.flow_m3s.shape == (4000, len(WET.runs))
    assert np.all(np.diff(solution.pump_flow_m3s) > 0.0)


def test_a_few_odd_cases_among_many_are_solved_like_the_rest() -> None:
    """One case in a thousand with its branches shut or choked: each as if it were alone, all balanced (1e-9)."""
    added = np.zeros((3000, len(WET.runs)))
    closed = np.zeros(added.shape, dtype=np.bool_)
    odd = [7, 1500, 2998]
    added[odd[0]], closed[odd[1], 1:4], added[odd[2], -1] = 1e9, True, 1e12

    solution = solve(WET, Conditions(added_k=added, closed=closed))

    assert solution.converged.all()
    assert solution.energy_residual_m.max() <= 1e-9 * WET.pump.shut_off_m
    for case in odd:
        alone = solved(WET, Conditions(added_k=added[case], closed=closed[case]))
        assert solution.flow_m3s[case] == pytest.approx(alone.flow_m3s[0], rel=1e-7, abs=1e-12)


@pytest.mark.parametrize("factor", [0.8, 0.9])
def test_head_factor_and_speed_are_one_scalar(factor: float) -> None:
    """Identity: a speed that restores the header's head restores every flow: meters cannot tell them apart (1e-7)."""
    head = WET.run_index("T1")
    wanted = solved(WET, Conditions(head_factor=factor)).flow_m3s[0]
    low, high, flow = factor**0.5 * 0.9, 1.0, wanted
    for _ in range(60):
        middle = 0.5 * (low + high)
        flow = solved(WET, Conditions(speed=middle)).flow_m3s[0]
        low, high = (middle, high) if flow[head] < wanted[head] else (low, middle)

    assert flow == pytest.approx(wanted, rel=1e-7)


def test_a_clogged_branch_lifts_all_others() -> None:
    """One branch restricted: it falls and every other rises."""
    base = solved(WET).flow_m3s[0]
    clogged = np.ones(len(WET.runs))
    index = WET.run_index("B2p")
    clogged[index] = 2.0

    flow = solved(WET, Conditions(resistance=clogged)).flow_m3s[0]

    others = [i for i in range(len(WET.runs)) if WET.end[i] < 0 and i != index]
    assert flow[index] < base[index]
    assert np.all(flow[others] > base[others])


def test_a_falling_sump_moves_the_outlets_that_are_not_in_it() -> None:
    """A falling sump starves the return; an outlet into the sump itself gains nothing to climb and so gets more."""
    network = compile_network(plant_of(riser(), display(), branch("drain", outlet_m=0.0)))
    base = solved(network).flow_m3s[0]

    flow = solved(network, Conditions(sump_rise_m=-0.05)).flow_m3s[0]

    assert flow[1] < base[1]
    assert flow[2] > base[2]


def test_everything_in_the_sump_does_not_notice_its_level() -> None:
    """Identity: if all outlets end in the sump, its level changes no flow (1e-9)."""
    network = compile_network(plant_of(riser(), branch("a", outlet_m=0.0), branch("b", pipe(0.02), outlet_m=0.0)))

    flow = solved(network, Conditions(sump_rise_m=-0.2)).flow_m3s[0]

    assert flow == pytest.approx(solved(network).flow_m3s[0], rel=1e-9)


def test_a_stopped_pump_drains_a_submerged_outlet_through_the_branches() -> None:
    """The pump stops: the display runs back and comes out of the branches."""
    network = compile_network(plant_of(riser(), display(), branch("reactor")))

    flow = solved(network, Conditions(pump_stopped=True)).flow_m3s[0]

    assert flow[0] == 0.0
    assert flow[1] < 0.0
    assert flow[2] == pytest.approx(-flow[1], rel=1e-9)


def test_a_stopped_pump_leaves_dry_outlets_at_rest() -> None:
    """The pump stops and no outlet is under water: nothing flows."""
    network = compile_network(plant_of(riser(), display(submerged=False), branch("reactor")))

    assert solved(network, Conditions(pump_stopped=True)).flow_m3s[0].tolist() == [0.0, 0.0, 0.0]


def test_speed_nought_is_a_stopped_pump() -> None:
    """At no speed the pump moves nothing."""
    network = compile_network(plant_of(riser(), branch("reactor")))

    assert solved(network, Conditions(speed=0.0)).pump_flow_m3s[0] == 0.0


def test_a_branch_too_high_stays_dry_and_the_rest_runs() -> None:
    """An outlet above the header's head gets nothing; it holds nothing up either."""
    network = compile_network(plant_of(riser(), branch("low"), branch("high", outlet_m=5.0)))
    without = compile_network(plant_of(riser(), branch("low")))

    flow = solved(network).flow_m3s[0]

    assert flow[2] == 0.0
    assert flow[1] == pytest.approx(solved(without).flow_m3s[0, 1], rel=1e-9)


def test_a_check_valve_keeps_the_display_from_running_back() -> None:
    """With a check valve in the return the stopped pump drains nothing."""
    kept = replace(display(), path=(*display().path, CheckValve(kind=CheckValveKind.SWING)))
    network = compile_network(plant_of(riser(), kept, branch("reactor")))

    assert solved(network, Conditions(pump_stopped=True)).flow_m3s[0].tolist() == [0.0, 0.0, 0.0]


def test_a_shut_valve_closes_its_run() -> None:
    """A ball valve at 90 degrees lets nothing pass."""
    shut = branch("reactor", pipe(0.0158), Valve(kind=ValveKind.BALL, closed_deg=90.0))
    network = compile_network(plant_of(riser(), display(), shut))

    assert solved(network).flow_m3s[0, 2] == 0.0


def test_all_closed_is_shut_off() -> None:
    """With every branch closed the pump stands at its shut-off head."""
    network = compile_network(plant_of(riser(), display(), branch("reactor")))

    solution = solved(network, Conditions(closed=np.array([False, True, True])))

    assert solution.pump_flow_m3s[0] == 0.0
    assert solution.pump_head_m[0] == pytest.approx(4.6, rel=1e-6)


def test_runs_straight_from_the_pump_share_its_flow() -> None:
    """Two runs that both start at the pump: their flows are the pump's."""
    network = compile_network(plant_of(branch("a", start="pump"), branch("b", pipe(0.02), start="pump")))

    solution = solved(network)

    assert solution.flow_m3s[0].sum() == pytest.approx(solution.pump_flow_m3s[0], rel=1e-12)


def test_a_run_without_losses_is_solved() -> None:
    """An inner run without any element passes the head on."""
    network = compile_network(plant_of(Run(name="riser", start="pump", end="tee", path=()), branch("reactor")))

    solution = solved(network)

    assert solution.head_m[0, 0] == pytest.approx(solution.head_m[0, 1], abs=1e-6)


def test_a_plateau_in_the_pump_curve_is_solved() -> None:
    """A curve of many points is followed between them."""
    curve = tuple(
        (q * LPH_M3S, h) for q, h in ((0.0, 4.0), (2000.0, 3.9), (6000.0, 3.5), (9000.0, 2.0), (11000.0, 0.5))
    )
    network = compile_network(plant_of(riser(), display(), branch("reactor"), pump=Pump(curve=curve)))

    solution = solved(network)

    assert solution.pump_head_m[0] == pytest.approx(network.pump.at(solution.pump_flow_m3s)[0][0], abs=1e-8)


def test_shapes_that_do_not_fit_are_refused() -> None:
    """Conditions of different numbers of cases are an error that names them."""
    with pytest.raises(ValueError, match=r"\[3, 4\]"):
        solve(WET, Conditions(speed=np.ones(3), head_factor=np.ones(4)))


def test_a_value_by_run_of_another_width_is_refused() -> None:
    """A factor for the wrong number of runs is an error."""
    with pytest.raises(ValueError, match="by run"):
        solve(WET, Conditions(resistance=np.ones(5)))


def test_a_run_from_nowhere_is_refused() -> None:
    """A run that starts at a node where none ends is an error that names it."""
    with pytest.raises(InputUnusable, match="reactor"):
        compile_network(plant_of(branch("reactor")))


def test_solution_keeps_the_order_of_the_file() -> None:
    """Runs may stand in any order: a branch before the run that feeds it gives the same flows."""
    forward = compile_network(plant_of(riser(), display(), branch("reactor")))
    backward = compile_network(plant_of(branch("reactor"), display(), riser()))

    assert solved(backward).flow_m3s[0][::-1] == pytest.approx(solved(forward).flow_m3s[0], rel=1e-10)


def plant_with_closed_water(plant: Plant, salinity: float) -> Plant:
    """The plant with other water."""
    return replace(plant, water=replace(plant.water, salinity_g_per_kg=salinity))


def test_fresh_and_sea_water_differ_by_little() -> None:
    """Fresh against sea water moves a turbulent branch by less than half a per cent."""
    plant = plant_of(riser(), display(), branch("reactor"))

    fresh = solved(compile_network(plant_with_closed_water(plant, 0.0))).flow_m3s[0]

    assert fresh == pytest.approx(solved(compile_network(plant)).flow_m3s[0], rel=5e-3)

"""The least pump, the balanced valves, and what cannot be had: against the solver and against EPANET."""

from dataclasses import replace

import fluids
import numpy as np
import pytest

from analysis.design.obstacles import ObstacleKind
from analysis.design.sizing import ONE_SIZE, duty_of, size
from analysis.hydraulics.network import STANDARD, compile_network, solve_one
from analysis.hydraulics.pump import pump_curve
from config.errors import InputUnusable
from config.plant import Plant, Pump, Run, Target, Valve, ValveKind
from tests.analysis.hydraulics.test_against_epanet import random_plant
from tests.support.epanet_model import EPANET_CONSTANTS, EpanetModel
from tests.support.example_plants import example_plant, with_run
from tests.support.manifolds import LPH_M3S, branch, pipe, plant_of, riser

EXAMPLES = ("one_branch", "two_branches", "six_branches")


def balanced_flows(plant: Plant) -> dict[str, float]:
    """Flow of every run of a plant as it is set, L/h."""
    flows = solve_one(compile_network(plant)).flow_m3s[0] / LPH_M3S
    return {run.name: float(flow) for run, flow in zip(plant.runs, flows, strict=True)}


def valved(name: str, low_lph: float, *, outlet_m: float = 0.3) -> Run:
    """A branch with a ball valve and a target, L/h."""
    path = (pipe(0.0158), Valve(kind=ValveKind.BALL, closed_deg=20.0), pipe(0.0158, 0.5))
    return replace(branch(name, *path, outlet_m=outlet_m), target=Target(low_m3s=low_lph * LPH_M3S))


@pytest.mark.parametrize("name", EXAMPLES)
def test_balanced_plants_get_their_aims(name: str) -> None:
    """The solver gives every trimmed branch, at the openings found, the flow that they were found for: to 0.01 %."""
    sizing = size(example_plant(name))

    flows = balanced_flows(sizing.balanced.plant)

    assert sizing.balanced.aims_met
    for opening in sizing.balanced.openings:
        assert flows[opening.throttle.name] == pytest.approx(opening.aim_m3s / LPH_M3S, rel=1e-4)


@pytest.mark.parametrize("name", ["two_branches", "six_branches"])
def test_balanced_plants_get_their_aims_in_epanet(name: str) -> None:
    """EPANET (owa-epanet, its own friction law and constants): balanced flows within 0.3 % of the aims."""
    balanced = size(example_plant(name)).balanced
    network = compile_network(balanced.plant, constants=STANDARD)

    with EpanetModel(network) as model:
        flows = model.flows_m3s(speed=balanced.speed)

    for opening in balanced.openings:
        assert flows[opening.throttle.run] == pytest.approx(opening.aim_m3s, rel=3e-3)


@pytest.mark.parametrize("seed", range(0, 30, 3))
def test_random_manifolds_are_balanced(seed: int) -> None:
    """Trees of 2 to 12 branches, some without a valve or a target, some under water: the solver gives every aim.

    Within 0.01 %, but for valves that would have to be all but shut, which are told.
    """
    plant = random_targets(seed)

    sizing = size(plant)
    flows = balanced_flows(sizing.balanced.plant)

    coarse = {item.run for item in sizing.obstacles if item.kind is ObstacleKind.VALVE_TOO_COARSE}
    exact = [opening for opening in sizing.balanced.openings if not coarse]
    assert all(flows[name] > 0.0 for name in coarse)
    for opening in exact:
        assert flows[opening.throttle.name] == pytest.approx(opening.aim_m3s / LPH_M3S, rel=1e-4)


def random_targets(seed: int) -> Plant:
    """A random manifold whose branches want a share of what they get; three in ten lose their valve."""
    random = np.random.default_rng(seed)
    plant = random_plant(random, int(random.integers(2, 13)), dry=bool(seed % 2))
    flows = balanced_flows(plant)
    runs = []
    for run in plant.runs:
        if run.is_branch and flows[run.name] > 3.6:
            low_m3s = flows[run.name] * LPH_M3S * float(random.uniform(0.2, 0.9))
            valveless = random.random() < 0.3
            path = tuple(e for e in run.path if not (valveless and isinstance(e, Valve)))
            high_m3s = 1.6 * low_m3s if random.random() < 0.5 else None
            runs.append(replace(run, path=path, target=Target(low_m3s=low_m3s, high_m3s=high_m3s)))
        else:
            runs.append(run)
    return replace(plant, runs=tuple(runs))


def test_balanced_flows_are_epanets_with_its_constants() -> None:
    """EPANET: with its own constants the whole balanced plant agrees to 0.02 %."""
    balanced = size(example_plant()).balanced
    network = compile_network(balanced.plant, constants=EPANET_CONSTANTS)

    with EpanetModel(network) as model:
        flows = model.flows_m3s(speed=balanced.speed)

    np.testing.assert_allclose(solve_one(network).flow_m3s[0], flows, rtol=2e-4)


@pytest.mark.parametrize("name", EXAMPLES)
def test_no_slower_pump_does_it(name: str) -> None:
    """At the least speed the hungriest branch just gets its need with its valve open; half a per cent below, less."""
    plant = example_plant(name)
    sizing = size(plant, margin=0.1)
    need = {run.name: 1.1 * run.target.low_m3s for run in plant.branches if run.target and run.target.low_m3s}
    least = sizing.duty.speed

    at_least = size(plant, margin=0.1, fixed_speed=least * 1.0005)
    below = size(plant, margin=0.1, fixed_speed=least * 0.995)

    assert at_least.balanced.needs_met
    assert not below.balanced.needs_met
    hungriest = sizing.duty.hungriest
    flows = balanced_flows(below.balanced.plant)
    assert flows[hungriest] < need[hungriest] / LPH_M3S


def test_duty_point_does_not_depend_on_the_pump() -> None:
    """A pump with another curve is asked for the same flow and head."""
    plant = plant_of(riser(), valved("a", 400.0), valved("b", 300.0, outlet_m=0.8))
    other = replace(plant, pump=Pump(curve=((0.0, 2.0), (9000.0 * LPH_M3S, 0.0))))

    first, second = duty_of(plant), duty_of(other)

    assert second.flow_m3s == pytest.approx(first.flow_m3s, rel=1e-6)
    assert second.head_m == pytest.approx(first.head_m, rel=1e-5)
    assert second.speed != pytest.approx(first.speed, rel=0.05)


def test_duty_point_by_hand() -> None:
    """One branch of pipe and open valve: total of the targets at lift and Darcy-Weisbach, worked with `fluids`."""
    plant = plant_of(replace(valved("a", 500.0), start="pump"))
    flow, bore, viscosity = 1.2 * 500.0 * LPH_M3S, 0.0158, compile_network(plant).viscosity_m2s
    velocity = flow / (np.pi * bore**2 / 4.0)
    factor = fluids.friction.friction_factor(velocity * bore / viscosity, 1.5e-6 / bore)
    k_open = 3.0 * fluids.ft_Crane(bore)

    duty = duty_of(plant, margin=0.2)

    by_hand = 0.3 + (factor * 1.5 / bore + k_open) * velocity**2 / (2.0 * 9.80665)
    assert duty.flow_m3s == pytest.approx(flow)
    assert duty.head_m == pytest.approx(by_hand, rel=2e-3)


def test_speed_that_does_it_puts_the_duty_point_on_the_curve() -> None:
    """By the affinity laws (EPANET manual, pump speed): w^2 H(Q / w) is the duty head at the duty flow."""
    plant = example_plant()
    duty = duty_of(plant)

    head, _ = pump_curve(plant.pump.curve).at(np.array([duty.flow_m3s / duty.speed]))

    assert duty.speed**2 * head[0] == pytest.approx(duty.head_m, rel=1e-6)


def test_a_larger_margin_takes_more_of_everything() -> None:
    """Flow, head and speed of the duty point all rise with the margin."""
    lean, ample = duty_of(example_plant(), margin=0.0), duty_of(example_plant(), margin=0.3)

    assert lean.flow_m3s < ample.flow_m3s
    assert lean.head_m < ample.head_m
    assert lean.speed < ample.speed


def test_the_interval_holds_the_duty_point() -> None:
    """Head and speed lie within their own 90 % intervals, which are not empty."""
    duty = duty_of(example_plant())

    assert duty.low_head_m < duty.head_m < duty.high_head_m
    assert duty.low_speed < duty.speed < duty.high_speed


def test_one_size_bigger_is_a_stated_allowance() -> None:
    """Common practice, no source: a quarter more of both, only when asked for."""
    sizing = size(example_plant(), one_size_bigger=True)

    assert sizing.bigger_flow_m3s == pytest.approx(ONE_SIZE * sizing.duty.flow_m3s)
    assert sizing.bigger_head_m == pytest.approx(ONE_SIZE * sizing.duty.head_m)
    assert size(example_plant()).bigger_head_m is None


def test_an_outlet_above_the_pumps_reach_is_told_and_the_rest_is_balanced() -> None:
    """A branch at 6 m under a pump of 4.8 m gets nothing; the others all get what they are balanced to."""
    sizing = size(with_run(example_plant(), "carbon", outlet_m=6.0))

    assert [(item.run, item.kind) for item in sizing.obstacles] == [("carbon", ObstacleKind.OUTLET_TOO_HIGH)]
    assert sizing.obstacles[0].wanted == pytest.approx(6.0)
    assert sizing.obstacles[0].given == pytest.approx(4.8)
    assert not sizing.duty.reached
    assert sizing.balanced.aims_met
    assert "carbon" not in {opening.throttle.name for opening in sizing.balanced.openings}


def test_too_small_a_pump_is_told_with_the_head_it_lacks() -> None:
    """With a margin of 80 % the return is short of head at full speed, and every branch gets the same share."""
    sizing = size(example_plant(), margin=0.8)

    assert ObstacleKind.HEAD_SHORT in {item.kind for item in sizing.obstacles}
    assert "return" in {item.run for item in sizing.obstacles}
    assert not sizing.duty.reached
    assert not sizing.balanced.needs_met
    assert sizing.balanced.speed == pytest.approx(1.0)
    flows = balanced_flows(sizing.balanced.plant)
    assert flows["return"] == pytest.approx(3500.0 * 1.8 * sizing.balanced.share, rel=1e-4)


def test_branches_without_a_valve_are_told() -> None:
    """The slow reactor has none; it takes what it gets."""
    sizing = size(example_plant())

    assert sizing.untrimmable == ("calcium",)
    assert "calcium" not in {opening.throttle.name for opening in sizing.balanced.openings}


def test_a_branch_without_a_valve_can_decide_the_duty_point() -> None:
    """Its need of 70 L/h takes a faster pump than all the others', and it gets just that."""
    plant = with_run(example_plant(), "calcium", target=Target(low_m3s=70.0 * LPH_M3S))
    duty = duty_of(plant, margin=0.0)
    balanced = size(plant, margin=0.0, fixed_speed=duty.speed).balanced

    assert duty.hungriest == "calcium"
    assert balanced.needs_met
    assert balanced_flows(balanced.plant)["calcium"] >= 70.0 * (1.0 - 1e-6)


def test_too_much_without_a_valve_is_told() -> None:
    """A high target that the valveless branch exceeds."""
    target = Target(low_m3s=20.0 * LPH_M3S, high_m3s=40.0 * LPH_M3S)
    sizing = size(with_run(example_plant(), "calcium", target=target))

    (found,) = sizing.obstacles
    assert (found.run, found.kind) == ("calcium", ObstacleKind.NO_VALVE_TOO_HIGH)
    assert found.given > found.wanted == pytest.approx(40.0 * LPH_M3S)


def test_a_branch_without_a_target_keeps_its_valve() -> None:
    """Nothing is known of what it should get, so its valve stays where it stands."""
    plant = with_run(example_plant(), "carbon", target=None)

    sizing = size(plant)

    assert sizing.untouched == ("carbon",)
    balanced = next(run for run in sizing.balanced.plant.runs if run.name == "carbon")
    assert balanced.path == next(run for run in plant.runs if run.name == "carbon").path


def test_a_fixed_speed_is_kept_and_burnt_in_the_valves() -> None:
    """At full speed every branch still gets its aim, with every valve nearer shut than at the least speed."""
    least, full = size(example_plant()).balanced, size(example_plant(), fixed_speed=1.0).balanced

    assert full.speed == 1.0
    assert full.aims_met
    for slow, fast in zip(least.openings, full.openings, strict=True):
        assert fast.closed_deg > slow.closed_deg


def test_no_target_at_all_is_an_error_with_what_to_write() -> None:
    """There is nothing to size for."""
    with pytest.raises(InputUnusable, match="target = "):
        size(plant_of(riser(), branch("a")))


def test_the_pumps_own_overspeed_counts() -> None:
    """A pump that is set above full speed in the plant file may run there."""
    plant = example_plant()
    fast = replace(plant, pump=replace(plant.pump, speed=1.2))

    duty = duty_of(fast, margin=0.5)

    assert duty.limit_speed == 1.2
    assert duty.reached
    assert not duty_of(plant, margin=0.5).reached

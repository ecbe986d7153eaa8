"""What branches need and are balanced to, and the valves that they are balanced with."""

from dataclasses import replace

import pytest

from analysis.design.targets import need_and_aim, targets_of
from analysis.design.throttles import opened, throttles_of
from analysis.hydraulics.network import compile_network
from config.plant import FixedK, Target, Valve, ValveKind
from tests.support.manifolds import LPH_M3S, branch, pipe, plant_of, riser


@pytest.mark.parametrize(
    ("low", "high", "need", "aim"),
    [
        (200.0, 400.0, 240.0, 300.0),
        (200.0, None, 240.0, 240.0),
        (200.0, 250.0, 240.0, 240.0),
        (200.0, 220.0, 220.0, 220.0),
        (None, 400.0, 200.0, 200.0),
        (0.0, None, 0.0, 0.0),
    ],
)
def test_need_and_aim(low: float | None, high: float | None, need: float, aim: float) -> None:
    """With a margin of 20 %: the low target and the margin, never above the high one; the middle if that is more."""
    target = Target(low_m3s=None if low is None else low * LPH_M3S, high_m3s=None if high is None else high * LPH_M3S)
    run = branch("a", pipe(0.0158))

    found = need_and_aim(replace(run, target=target), margin=0.2)

    assert found == pytest.approx((need * LPH_M3S, aim * LPH_M3S))


def test_the_throttle_is_the_valve_that_is_most_closed() -> None:
    """Of two valves the one that is nearer shut as built is the throttle; the other one is opened."""
    gate, ball = Valve(kind=ValveKind.GATE, closed_deg=10.0), Valve(kind=ValveKind.BALL, closed_deg=40.0)
    plant = plant_of(riser(), branch("a", pipe(0.0158), ball, pipe(0.0158), gate))
    names = frozenset({"a"})

    open_plant = opened(plant, names)
    (throttle,) = throttles_of(plant, compile_network(open_plant), names)

    assert (throttle.kind, throttle.place) == (ValveKind.BALL, 1)
    assert all(valve.closed_deg == 0.0 for valve in open_plant.runs[1].path if isinstance(valve, Valve))


@pytest.mark.parametrize(
    ("kind", "closed_deg"), [(ValveKind.BALL, 33.0), (ValveKind.BALL, 71.0), (ValveKind.GATE, 50.0)]
)
def test_the_turn_for_a_loss_is_the_turn_that_costs_it(kind: ValveKind, closed_deg: float) -> None:
    """Going from the loss at an angle back to the angle gives the angle."""
    plant = plant_of(riser(), branch("a", pipe(0.0158, nominal_in=0.5), Valve(kind=kind, closed_deg=closed_deg)))
    names = frozenset({"a"})
    network = compile_network(opened(plant, names))
    (throttle,) = throttles_of(plant, network, names)
    index = network.run_index("a")

    added = compile_network(plant).minor_s2_m5[index] - network.minor_s2_m5[index]

    assert throttle.turn_deg(float(added)) == pytest.approx(closed_deg, abs=1e-6)


def test_valves_of_inner_runs_count_as_open() -> None:
    """A half-shut valve in the riser is opened, since it only wastes head."""
    half = Valve(kind=ValveKind.BALL, closed_deg=45.0)
    aimed = replace(branch("a", pipe(0.0158), half), target=Target(low_m3s=100.0 * LPH_M3S))

    targets = targets_of(plant_of(riser(pipe(0.04), FixedK(k=1.0), half), aimed), margin=0.0)

    assert targets.plant.runs[0].path[-1] == Valve(kind=ValveKind.BALL, closed_deg=0.0)

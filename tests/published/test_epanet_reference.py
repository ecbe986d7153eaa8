"""Flows of the reference manifold against EPANET 2.3: all cases of epanet_reference.json."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.frames import Floats
from analysis.hydraulics.friction import FrictionLaw
from analysis.hydraulics.network import STANDARD, Constants, Network, Solution, compile_network, solve_one
from tests.support.epanet_model import EPANET_CONSTANTS
from tests.support.reference_manifold import LPH_M3S, load_reference

REFERENCE = load_reference()
STANDARD_NETWORK = compile_network(REFERENCE.plant(), constants=STANDARD)
EPANET_NETWORK = compile_network(REFERENCE.plant(), constants=EPANET_CONSTANTS)
MEDIA_B = EPANET_NETWORK.run_index("B3p")


def worst_difference(solution: Solution, expected_l_per_h: Floats) -> float:
    """Largest relative difference over the runs that carry more than 1 L/h."""
    flowing = np.abs(expected_l_per_h) > 1.0
    actual = solution.flow_m3s[0] / LPH_M3S
    return float(np.max(np.abs(actual[flowing] / expected_l_per_h[flowing] - 1.0)))


def solve_with_table(name: str, network: Network) -> Solution:
    """Solve with media B read from its table: the factor follows from our own flow, by repetition."""
    conditions = REFERENCE.conditions(name, network, constants=EPANET_CONSTANTS)
    media = np.ones(len(network.runs))
    for _ in range(6):
        solution = solve_one(network, replace(conditions, media_resistance=media))
        media[MEDIA_B] = REFERENCE.media_table_factor(float(solution.flow_m3s[0, MEDIA_B] / LPH_M3S))
    return solution


def test_all_25_cases_are_here() -> None:
    """The file holds the 25 cases that its provenance speaks of."""
    assert len(REFERENCE.cases) == 25


@pytest.mark.parametrize("name", REFERENCE.cases)
def test_flows_with_our_own_constants(name: str) -> None:
    """With standard gravity and Serghides' friction every flow is within 0.2 % of EPANET's."""
    conditions = REFERENCE.conditions(name, STANDARD_NETWORK, constants=STANDARD)

    solution = solve_one(STANDARD_NETWORK, conditions)

    assert worst_difference(solution, REFERENCE.flows_l_per_h(name, STANDARD_NETWORK)) < 0.002


@pytest.mark.parametrize("name", REFERENCE.cases)
def test_flows_with_the_constants_of_epanet(name: str) -> None:
    """With EPANET's constants, friction law and media table every flow is within 0.005 % of its own."""
    solution = solve_with_table(name, EPANET_NETWORK)

    assert worst_difference(solution, REFERENCE.flows_l_per_h(name, EPANET_NETWORK)) < 0.00005


@pytest.mark.parametrize(("law", "printed_percent"), [(FrictionLaw.SWAMEE_JAIN, 0.035), (FrictionLaw.COLEBROOK, 0.138)])
def test_what_the_difference_is_made_of(law: FrictionLaw, printed_percent: float) -> None:
    """Base case, worst flow against EPANET's, worked apart with another solver: gravity alone, and Colebrook as well.

    Per cent, to the digits.
    """
    constants = Constants(law=law)
    network = compile_network(REFERENCE.plant(), constants=constants)

    solution = solve_one(network, REFERENCE.conditions("base", network, constants=constants))

    found = worst_difference(solution, REFERENCE.flows_l_per_h("base", network))
    assert 100.0 * found == pytest.approx(printed_percent, abs=1.5e-2)


@pytest.mark.parametrize("name", REFERENCE.cases)
def test_heads_with_the_constants_of_epanet(name: str) -> None:
    """With EPANET's constants every head behind the suction pipe is within 0.1 mm of its own."""
    solution = solve_with_table(name, EPANET_NETWORK)
    expected = REFERENCE.heads_m(name, EPANET_NETWORK)

    # Our run carries the suction pipe, so the head at the pump's outlet is higher by what that pipe costs.
    assert solution.head_m[0][1:] == pytest.approx(expected[1:], abs=1e-4)


def test_a_closed_branch_carries_nothing() -> None:
    """A closed run's flow is nought exactly."""
    conditions = REFERENCE.conditions("mediaA_closed", STANDARD_NETWORK, constants=STANDARD)

    solution = solve_one(STANDARD_NETWORK, conditions)

    assert solution.flow_m3s[0, STANDARD_NETWORK.run_index("B2p")] == 0.0


def test_pump_link_closed_drains_the_display() -> None:
    """With the pump's link closed the display runs back through the branches as EPANET has it (0.2 %).

    EPANET 2.3 on the same network, pump link closed, L/h: return -3283.1, then 1454.3, 412.3, 301.0, 862.5, 253.0.
    """
    conditions = REFERENCE.conditions("base", STANDARD_NETWORK, constants=STANDARD)

    solution = solve_one(STANDARD_NETWORK, replace(conditions, pump_stopped=True))

    names = ("RET", "B1p", "B2p", "B3p", "B4p", "B5p")
    actual = [solution.flow_m3s[0, STANDARD_NETWORK.run_index(name)] / LPH_M3S for name in names]
    assert actual == pytest.approx([-3283.1, 1454.3, 412.3, 301.0, 862.5, 253.0], rel=2e-3)
    assert solution.pump_flow_m3s[0] == 0.0

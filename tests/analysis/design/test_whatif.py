"""Plants side by side, and what their costliest elements would give."""

import numpy as np
import pytest

from analysis.design.costs import COSTLIEST, costliest, halved
from analysis.design.elbow_tables import TABLES
from analysis.design.run_losses import run_losses_m
from analysis.design.whatif import Comparison, Gain, compare
from analysis.hydraulics.network import compile_network, losses_by_element, solve_one
from analysis.prediction import predict
from config.change import read_change
from tests.support.example_plants import example_plant, with_run

NAMES = [run.name for run in example_plant().runs]


def compared(*texts: str) -> Comparison:
    """The plant of six branches with changes."""
    plant = example_plant()
    return compare(plant, [read_change(text, plant) for text in texts])


def gain_of(comparison: Comparison, name: str, variant: int = 0) -> Gain:
    """The gain of one run."""
    return comparison.variants[variant].gains[NAMES.index(name)]


def test_flows_are_the_predictions() -> None:
    """As built and changed, the flows are those that a prediction of the plant gives."""
    comparison = compared("pump: speed 80 %")

    before, after = predict(example_plant()), predict(comparison.variants[0].plant)
    assert comparison.as_built_m3s == pytest.approx([run.flow_m3s for run in before.runs])
    assert [gain.flow_m3s for gain in comparison.variants[0].gains] == pytest.approx([r.flow_m3s for r in after.runs])


def test_no_change_is_no_gain_and_no_doubt() -> None:
    """A valve set where it stands changes nothing in any draw: common draws cancel out."""
    gain = gain_of(compared("carbon: ball_valve 45 %"), "carbon")

    assert (gain.gain, gain.low, gain.high) == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)


def test_a_gain_is_known_better_than_a_flow() -> None:
    """The interval of the gain of a fatter header is less than a fifth as wide as that of the flow."""
    comparison = compared("header*: pipe -> 1-1/2 in sch 40")
    index = NAMES.index("scrubber")
    gain = gain_of(comparison, "scrubber")

    assert gain.low is not None
    assert gain.high is not None
    assert gain.gain is not None
    assert 0.0 < gain.low < gain.gain < gain.high
    level = (comparison.high_m3s[index] - comparison.low_m3s[index]) / comparison.as_built_m3s[index]
    assert gain.high - gain.low < level / 5.0


def test_several_changes_are_shown_alone_and_together() -> None:
    """Two changes make three variants, the last of them with both."""
    comparison = compared("carbon: media x 2", "pump: speed 90 %")

    assert [len(variant.changes) for variant in comparison.variants] == [1, 1, 2]
    both, clogged = gain_of(comparison, "carbon", 2), gain_of(comparison, "carbon", 0)
    assert both.gain is not None
    assert clogged.gain is not None
    assert both.gain < clogged.gain < 0.0


def test_elbow_changes_are_told_by_table() -> None:
    """The interval spans what the tables say, which differ in sign; other changes name no table."""
    gain = gain_of(compared("steriliser: elbow 90 -> 2 x elbow 45"), "steriliser")

    assert len(gain.by_table) == len(TABLES)
    assert min(gain.by_table) < 0.0 < max(gain.by_table)
    assert gain.by_table[0] == pytest.approx(gain.gain)
    assert gain.low is not None
    assert gain.high is not None
    assert gain.low < 0.0 < gain.high
    assert gain_of(compared("pump: speed 90 %"), "steriliser").by_table == ()


def test_a_branch_without_flow_has_no_gain() -> None:
    """Its outlet stands above what the pump lifts: a share of nothing cannot be told."""
    plant = with_run(example_plant(), "carbon", outlet_m=7.0)
    comparison = compare(plant, [read_change("pump: speed 90 %", plant)])

    gain = gain_of(comparison, "carbon")

    assert (gain.flow_m3s, gain.gain, gain.low, gain.high) == (0.0, None, None, None)


def test_same_plant_same_figures() -> None:
    """The draws are the same every time."""
    assert compared("carbon: media x 2") == compared("carbon: media x 2")


def test_costliest_are_the_largest_losses_on_the_way() -> None:
    """For every branch the three largest of all losses from the pump to its outlet, whose sum is the head spent."""
    network = compile_network(example_plant())
    solution = solve_one(network)
    losses = losses_by_element(network, solution)

    costs = [cost for cost in costliest(network) if cost.branch == "return"]

    on_way = sorted((loss.head_loss_m for loss in losses if loss.run in {"riser", "return"}), reverse=True)
    assert [cost.head_loss_m for cost in costs] == pytest.approx(on_way[:COSTLIEST])
    spent = float(solution.pump_head_m[0]) - 1.5
    assert costs[0].share == pytest.approx(costs[0].head_loss_m / spent, rel=1e-5)


def test_every_branch_has_its_costliest_and_gains_from_them() -> None:
    """Three for each of six branches, each of which would raise its flow if it cost half."""
    costs = costliest(compile_network(example_plant()))

    assert len(costs) == 6 * COSTLIEST
    assert all(cost.gain is not None and cost.gain > 0.0 for cost in costs)


@pytest.mark.parametrize("kind", ["pipe", "fitting", "valve", "device", "bed", "barb"])
def test_a_halved_element_costs_half_at_the_same_flow(kind: str) -> None:
    """At the flows as built the run's loss falls by half the element's, whatever sort it is."""
    network = compile_network(example_plant())
    solution = solve_one(network)
    place = next(place for place, element in enumerate(network.elements) if element.kind == kind)
    lost = losses_by_element(network, solution)[place].head_loss_m

    fall = run_losses_m(network, solution.flow_m3s) - run_losses_m(halved(network, place), solution.flow_m3s)

    expected = np.zeros_like(fall)
    expected[0, network.elements[place].run] = 0.5 * lost
    np.testing.assert_allclose(fall, expected, atol=1e-9)

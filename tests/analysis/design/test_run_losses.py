"""Losses along the tree at given flows, against the solver."""

import numpy as np

from analysis.design.run_losses import head_wanted_m, pump_flow_m3s, run_flows_m3s, run_losses_m
from analysis.hydraulics.network import compile_network, solve_one
from tests.support.example_plants import example_plant


def test_flows_add_up_from_the_branches() -> None:
    """The branches' flows of a solved plant give back the flow of every inner run and of the pump."""
    network = compile_network(example_plant())
    solution = solve_one(network)

    flow = run_flows_m3s(network, np.where(network.end < 0, solution.flow_m3s, 99.0))

    np.testing.assert_allclose(flow, solution.flow_m3s, rtol=1e-8)
    np.testing.assert_allclose(pump_flow_m3s(network, flow), solution.pump_flow_m3s, rtol=1e-8)


def test_every_branch_takes_the_head_that_the_pump_gives() -> None:
    """At the flows of the operating point every branch's way costs the pump's head, to 2 micrometres."""
    network = compile_network(example_plant())
    solution = solve_one(network)

    losses = run_losses_m(network, solution.flow_m3s)
    wanted = head_wanted_m(network, losses, np.flatnonzero(network.end < 0))

    np.testing.assert_allclose(wanted[0], solution.pump_head_m[0], rtol=0, atol=2e-6)


def test_factors_scale_their_part_only() -> None:
    """Twice the media adds the media's own loss once more; twice the resistance doubles all."""
    network = compile_network(example_plant())
    flow = solve_one(network).flow_m3s
    plain = run_losses_m(network, flow)

    clogged = run_losses_m(network, flow, media_resistance=2.0)
    doubled = run_losses_m(network, flow, resistance=2.0)

    viscous = network.media_linear_s_m2 + network.media_viscous_per_m4 * network.viscosity_m2s
    np.testing.assert_allclose(clogged - plain, viscous * flow + network.media_quadratic_s2_m5 * flow**2, atol=1e-12)
    np.testing.assert_allclose(doubled, 2.0 * plain)

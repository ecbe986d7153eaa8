"""Friction that is carried from step to step: where it settles, it is the friction factor's own."""

import numpy as np
import pytest

from analysis.hydraulics.conditions import Conditions, case_arrays
from analysis.hydraulics.drag import Drag
from analysis.hydraulics.elements import STANDARD, Constants
from analysis.hydraulics.friction import FrictionLaw, friction_factor
from analysis.hydraulics.network import compile_network
from tests.support.manifolds import branch, pipe, plant_of, riser

SIZES_M3S = np.geomspace(1e-6, 3e-3, 40)
PLANTS = {
    "one bore a run": plant_of(riser(), branch("a"), branch("b", pipe(0.02))),
    "two bores in a run": plant_of(riser(), branch("a", pipe(0.016), pipe(0.026)), branch("b", pipe(0.02))),
}


@pytest.mark.parametrize("law", list(FrictionLaw))
@pytest.mark.parametrize("plant", PLANTS)
def test_carried_friction_settles_on_the_law(plant: str, law: FrictionLaw) -> None:
    """Identity: from another flow's root, three steps at one flow give f's loss, laminar to turbulent (1e-10)."""
    network = compile_network(PLANTS[plant], constants=Constants(law=law))
    segments, shape = network.segments, (len(network.runs), SIZES_M3S.size)
    arrays = case_arrays(network, Conditions(), cases=SIZES_M3S.size)
    size = np.broadcast_to(SIZES_M3S, shape).copy()
    drag = Drag(network, SIZES_M3S.size, scratch=(np.empty(shape), np.empty(shape)))
    drag.set_pipes(arrays.friction_s2_m5, arrays.reynolds_s_m3)

    drag.begin(np.full(shape, 5e-4))
    for _ in range(3):
        drag.follow(size)

    reynolds = arrays.reynolds_s_m3 * SIZES_M3S
    factor = friction_factor(reynolds, (segments.roughness_m / segments.bore_m)[:, None], law=law)
    loss = np.add.reduceat(arrays.friction_s2_m5 * factor * SIZES_M3S, segments.first, axis=0)
    assert drag.per_flow == pytest.approx(loss, rel=1e-10)


def test_half_slope_is_half_the_derivative() -> None:
    """Identity: against a central difference of the loss (1e-5), at laminar, transition and turbulent flows."""
    network = compile_network(PLANTS["one bore a run"], constants=STANDARD)
    flow = np.array([1e-5, 3.6e-5, 1e-4, 1e-3])
    losses = []
    for shift in (1.0 - 1e-5, 1.0, 1.0 + 1e-5):
        size = np.broadcast_to(flow * shift, (len(network.runs), flow.size)).copy()
        drag = Drag(network, flow.size, scratch=(np.empty_like(size), np.empty_like(size)))
        arrays = case_arrays(network, Conditions(), cases=flow.size)
        drag.set_pipes(arrays.friction_s2_m5, arrays.reynolds_s_m3)
        drag.begin(size)
        drag.follow(size)
        losses.append((drag.per_flow * size, drag.half_slope.copy()))

    numeric = (losses[2][0] - losses[0][0]) / (2e-5 * flow)

    assert 2.0 * losses[1][1] == pytest.approx(numeric, rel=1e-5)

"""Losses by element under conditions."""

import numpy as np
import pytest

from analysis.hydraulics.network import Conditions, compile_network, losses_by_element, solve, solve_one
from config.plant import Device, MediaBed
from tests.support.manifolds import LPH_M3S, branch, display, pipe, plant_of, riser

REACTOR = branch(
    "reactor",
    pipe(0.0158),
    Device(name="carbon", loss=((200.0 * LPH_M3S, 0.2),)),
    MediaBed(name="bed", bore_m=0.1, depth_m=0.3, grain_m=1e-3, porosity=0.45),
)
NETWORK = compile_network(plant_of(riser(), display(), REACTOR))


def test_media_resistance_touches_media_only() -> None:
    """Twice the media resistance doubles a device's h / Q^2 and leaves a pipe's law alone."""
    solution = solve_one(NETWORK, Conditions(media_resistance=2.0))
    flow = solution.flow_m3s[0, 2]

    device = next(loss for loss in losses_by_element(NETWORK, solution) if loss.label == "carbon")

    assert device.head_loss_m == pytest.approx(2.0 * 0.2 * (flow / (200.0 * LPH_M3S)) ** 2)


def test_an_added_loss_is_an_element() -> None:
    """A loss that the conditions add is shown with its head."""
    added = np.array([0.0, 0.0, 5e6])
    solution = solve_one(NETWORK, Conditions(added_k=added))

    last = losses_by_element(NETWORK, solution)[-1]

    assert (last.run, last.kind) == ("reactor", "added")
    assert last.head_loss_m == pytest.approx(5e6 * solution.flow_m3s[0, 2] ** 2)


def test_each_case_has_its_own_losses() -> None:
    """Of many cases the one that is asked for is shown."""
    solution = solve(NETWORK, Conditions(speed=np.array([1.0, 0.8]), resistance=np.array([[1.0] * 3, [1.5] * 3])))

    for case in (0, 1):
        total = sum(loss.head_loss_m for loss in losses_by_element(NETWORK, solution, case=case) if loss.run == "riser")
        assert total == pytest.approx(solution.head_m[case, 0] - solution.head_m[case, 1], abs=1e-6)


def test_warmer_water_eases_the_bed_only_in_its_viscous_part() -> None:
    """Half the viscosity takes off half of Ergun's linear term."""
    bed = next(element.loss for element in NETWORK.elements if element.label == "bed")
    solution = solve_one(NETWORK, Conditions(viscosity_m2s=0.5e-6))
    flow = solution.flow_m3s[0, 2]

    shown = next(loss for loss in losses_by_element(NETWORK, solution) if loss.label == "bed")

    assert shown.head_loss_m == pytest.approx(bed.viscous_per_m4 * 0.5e-6 * flow + bed.quadratic_s2_m5 * flow**2)


def test_a_closed_run_costs_nothing() -> None:
    """Without flow no element has a loss."""
    solution = solve_one(NETWORK, Conditions(closed=np.array([False, False, True])))

    assert all(loss.head_loss_m == 0.0 for loss in losses_by_element(NETWORK, solution) if loss.run == "reactor")

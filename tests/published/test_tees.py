"""Tees and wyes by how the flow splits, against printed examples, a printed table and an outside library."""

import math

import fluids
import numpy as np
import pytest
from scipy.optimize import root

from analysis.hydraulics.network import Constants, TeeLaw, compile_network, solve_one
from analysis.hydraulics.tees import dividing_branch_k, dividing_run_k, joining_branch_k, joining_run_k
from config.plant import Fitting, FittingKind, FixedK, Run
from tests.support.manifolds import branch, pipe, plant_of

ONE, HALF = 0.026645, 0.015799
SHARES = (0.0, 0.1, 0.2, 0.3, 0.4, 0.45, 0.5, 0.6, 0.7, 0.9, 1.0)
BETAS = (0.3, 0.5, 0.6, 0.65, 0.7, 0.786, 0.9, 1.0)


def test_joining_tee() -> None:
    """Crane TP-410, example 7-35: 100 joins 300 gal/min in a 4 in tee: K of branch -0.042, of run 0.325 (digits)."""
    assert float(joining_branch_k(0.25, 1.0)) == pytest.approx(-0.042, abs=5e-4)
    assert float(joining_run_k(0.25, 1.0)) == pytest.approx(0.325, abs=5e-4)


def test_dividing_wye() -> None:
    """Crane TP-410, example 7-36: 250 of 650 gal/min leave a 6 in 45 degree wye: K 0.4646 and -0.0683 (digits)."""
    share = 250.0 / 650.0

    assert float(dividing_branch_k(share, 1.0, angle_deg=45.0)) == pytest.approx(0.4646, abs=5e-5)
    assert float(dividing_run_k(share, 1.0)) == pytest.approx(-0.0683, abs=5e-5)


def test_head_of_a_dividing_wye() -> None:
    """The same example: 0.462 ft into the branch and -0.068 ft straight on, in schedule 80 of 5.761 in (digits)."""
    velocity_ft_s = 650.0 * 231.0 / 12.0**3 / 60.0 / (math.pi * (5.761 / 12.0) ** 2 / 4.0)
    velocity_head_ft = velocity_ft_s**2 / (2.0 * 32.174)
    share = 250.0 / 650.0

    assert float(dividing_branch_k(share, 1.0, angle_deg=45.0)) * velocity_head_ft == pytest.approx(0.462, abs=5e-4)
    assert float(dividing_run_k(share, 1.0)) * velocity_head_ft == pytest.approx(-0.068, abs=5e-4)


@pytest.mark.parametrize(
    ("share", "into_branch", "straight_on"),
    [
        (0.1, 1.006, -0.016),
        (0.2, 1.024, -0.048),
        (0.3, 1.055, -0.072),
        (0.5, 1.156, 0.0),
        (0.7, 1.316, 0.059),
        (0.9, 1.545, 0.194),
        (1.0, 1.690, 0.300),
    ],
)
def test_dividing_tee_of_equal_legs(share: float, into_branch: float, straight_on: float) -> None:
    """Crane TP-410 (2009 and later), dividing tee, evaluated apart with the library `fluids`: three decimals."""
    assert float(dividing_branch_k(share, 1.0)) == pytest.approx(into_branch, abs=6e-4)
    assert float(dividing_run_k(share, 1.0)) == pytest.approx(straight_on, abs=6e-4)


@pytest.mark.parametrize(
    ("share", "combined", "on_branch"), [(0.05, 1.02, 50.0), (0.1, 1.08, 13.4), (0.2, 1.32, 4.1), (0.3, 1.73, 2.4)]
)
def test_reducing_tee(share: float, combined: float, on_branch: float) -> None:
    """Crane TP-410, 1 x 1 x 1/2 in, evaluated apart: K on the combined flow, and what that is on the branch's own bore.

    A constant K on the branch's bore, 60 fT or 1.5, is out by a factor of thirty where little is taken.
    """
    k = float(dividing_branch_k(share, HALF / ONE))

    assert k == pytest.approx(combined, abs=6e-3)
    assert k * (HALF / ONE) ** 4 / share**2 == pytest.approx(on_branch, rel=0.015)


@pytest.mark.parametrize("beta", BETAS)
@pytest.mark.parametrize("angle_deg", [30.0, 45.0, 55.0, 90.0])
def test_tees_against_a_library(beta: float, angle_deg: float) -> None:
    """Library `fluids`, Crane's four formulas, over all splits and bores: 1e-12.

    At 60 degrees it takes the tee's own terms for the branch of a wye, which its documentation does not.
    """
    for share in SHARES:
        given = {"D_run": 1.0, "D_branch": beta, "Q_run": 1.0 - share, "Q_branch": share, "angle": angle_deg}
        published = (
            fluids.fittings.K_branch_diverging_Crane(**given),
            fluids.fittings.K_run_diverging_Crane(**given),
            fluids.fittings.K_branch_converging_Crane(**given),
            fluids.fittings.K_run_converging_Crane(**given),
        )
        ours = (
            dividing_branch_k(share, beta, angle_deg=angle_deg),
            dividing_run_k(share, beta),
            joining_branch_k(share, beta, angle_deg=angle_deg),
            joining_run_k(share, beta, angle_deg=angle_deg),
        )
        assert [float(k) for k in ours] == pytest.approx(published, abs=1e-12)


@pytest.mark.parametrize("side_m", [ONE, HALF])
def test_a_manifold_with_such_tees(side_m: float) -> None:
    """One tee, a side way and a straight one: scipy's root finder with `fluids` for K and friction, flows within 0.02 %."""
    plant = plant_of(
        Run(name="riser", start="pump", end="tee", path=(pipe(ONE, 0.6), FixedK(k=1.0))),
        branch("side", Fitting(kind=FittingKind.TEE_BRANCH), pipe(side_m, 1.0), FixedK(k=4.0), outlet_m=0.2),
        branch("straight", Fitting(kind=FittingKind.TEE_RUN), pipe(ONE, 2.0), FixedK(k=6.0), outlet_m=0.9),
    )
    network = compile_network(plant, constants=Constants(tees=TeeLaw.BY_SPLIT))
    viscosity = network.viscosity_m2s

    def friction_and_k(flow: float, bore_m: float, length_m: float, k: float) -> float:
        velocity = flow / (math.pi * bore_m**2 / 4.0)
        factor = fluids.friction.Clamond(velocity * bore_m / viscosity, 1.5e-6 / bore_m)
        return float((factor * length_m / bore_m + k) * velocity**2 / (2.0 * 9.80665))

    def balance(scaled: np.ndarray) -> list[float]:
        side, straight = scaled * 1e-3
        given = {"D_run": ONE, "D_branch": side_m, "Q_run": straight, "Q_branch": side}
        tees = (
            fluids.fittings.K_branch_diverging_Crane(**given),
            fluids.fittings.K_run_diverging_Crane(**given),
        )
        both = side + straight
        velocity_head = (both / (math.pi * ONE**2 / 4.0)) ** 2 / (2.0 * 9.80665)
        head = float(network.pump.at(np.array([both]))[0][0]) - friction_and_k(both, ONE, 0.6, 1.0)
        return [
            head - tees[0] * velocity_head - friction_and_k(side, side_m, 1.0, 4.0) - 0.2,
            head - tees[1] * velocity_head - friction_and_k(straight, ONE, 2.0, 6.0) - 0.9,
        ]

    solution = solve_one(network)
    expected = root(balance, x0=np.array([0.4, 0.8]), tol=1e-12)

    assert expected.success
    assert solution.flow_m3s[0, 1:] == pytest.approx(expected.x * 1e-3, rel=2e-4)

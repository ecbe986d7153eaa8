"""Friction factors, fittings, valves and changes of bore against published tables and an outside library."""

import fluids
import numpy as np
import pytest

from analysis.hydraulics.bore_change import (
    TAPER_DEG,
    barb_k,
    gradual_contraction_k,
    gradual_expansion_k,
    sudden_contraction_k,
    sudden_expansion_k,
)
from analysis.hydraulics.fittings import check_valve_k, fitting_k, rough_factor, valve_k
from analysis.hydraulics.friction import FrictionLaw, friction_factor
from config.plant import CheckValveKind, FittingKind, ValveKind

# Bores of schedule 40 (ASTM D1785), inches nominal -> m.
BORES = {0.5: 0.015799, 0.75: 0.020930, 1.0: 0.026645, 1.25: 0.035052, 1.5: 0.040894, 2.0: 0.052502}

# Crane TP-410, fT by nominal size, as printed (three decimals).
CRANE_ROUGH = {0.5: 0.026, 0.75: 0.024, 1.0: 0.022, 1.25: 0.021, 1.5: 0.020, 2.0: 0.019}


@pytest.mark.parametrize("reynolds", np.geomspace(4e3, 1e6, 9))
@pytest.mark.parametrize("roughness", [0.0, 5.6e-5, 1e-3])
def test_turbulent_friction_solves_colebrook(reynolds: float, roughness: float) -> None:
    """Library `fluids`, Clamond's exact root of Colebrook: within 0.005 % from Re 4000 on."""
    exact = fluids.friction.Clamond(reynolds, roughness)

    assert float(friction_factor(reynolds, roughness)) == pytest.approx(exact, rel=5e-5)


@pytest.mark.parametrize("reynolds", [4000.0, 1e4, 1e5])
@pytest.mark.parametrize("roughness", [5.6e-5, 1e-3])
def test_swamee_jain(reynolds: float, roughness: float) -> None:
    """Library `fluids`, Swamee and Jain's formula: the same to 1e-5 (it prints 3.7 and 5.74 as we do)."""
    expected = fluids.friction.Swamee_Jain_1976(reynolds, roughness)

    assert float(friction_factor(reynolds, roughness, law=FrictionLaw.SWAMEE_JAIN)) == pytest.approx(expected, rel=2e-3)


def test_transition_as_epanet_has_it() -> None:
    """EPANET 2.3, hydcoeffs.c, smooth pipe, evaluated apart: .03200 .02914 .03307 .03861 .04055 (printed digits)."""
    reynolds = np.array([2000.0, 2500.0, 3000.0, 3500.0, 3999.0])

    factor = friction_factor(reynolds, 0.0, law=FrictionLaw.SWAMEE_JAIN)

    assert factor == pytest.approx([0.03200, 0.02914, 0.03307, 0.03861, 0.04055], abs=6e-6)


@pytest.mark.parametrize(("nominal_in", "printed"), CRANE_ROUGH.items())
def test_fully_rough_factor(nominal_in: float, printed: float) -> None:
    """Crane TP-410, table of fT by size, to its three decimals."""
    assert rough_factor(BORES[nominal_in]) == pytest.approx(printed, abs=6e-4)


@pytest.mark.parametrize("bore_m", BORES.values())
def test_fully_rough_factor_against_a_library(bore_m: float) -> None:
    """Library `fluids`, ft_Crane: within 0.01 %."""
    assert rough_factor(bore_m) == pytest.approx(fluids.ft_Crane(bore_m), rel=1e-4)


def test_rough_factor_goes_by_nominal_size() -> None:
    """A 1 in pipe of thick wall has the factor of 1 in, not of its bore."""
    assert rough_factor(0.024308, nominal_in=1.0) == rough_factor(0.026645)


@pytest.mark.parametrize(
    ("kind", "low", "high"),
    [
        # Lowest and highest of: Crane, Hooper 2-K, Darby 3-K, PVC equivalent lengths, Perry, HVAC Pump Handbook.
        (FittingKind.ELBOW_90, 0.66, 1.50),
        (FittingKind.ELBOW_45, 0.33, 0.42),
        (FittingKind.ELBOW_90_LONG, 0.30, 0.76),
        (FittingKind.TEE_RUN, 0.21, 0.90),
        (FittingKind.TEE_BRANCH, 1.0, 2.0),
    ],
)
def test_fittings_lie_among_the_handbooks(kind: FittingKind, low: float, high: float) -> None:
    """A fitting's K at 1 in lies within what the open handbook tables print for it."""
    assert low <= fitting_k(kind, bore_m=BORES[1.0], nominal_in=1.0) <= high


def test_entrance_and_exit() -> None:
    """Library `fluids`: a sharp entrance by Crane 0.5, a projecting one 0.78, an exit 1."""
    assert fitting_k(FittingKind.ENTRANCE_SHARP, bore_m=0.03) == fluids.fittings.entrance_sharp(method="Swamee")
    projecting = fluids.fittings.entrance_distance(Di=0.03, t=0.001, method="Crane")
    assert fitting_k(FittingKind.ENTRANCE_PROJECTING, bore_m=0.03) == pytest.approx(projecting)
    assert fitting_k(FittingKind.EXIT, bore_m=0.03) == fluids.fittings.exit_normal()


@pytest.mark.parametrize(("closed_deg", "published"), [(30.0, 5.5), (60.0, 200.0)])
def test_part_open_ball_valve(closed_deg: float, published: float) -> None:
    """Open engineering table of minor losses: ball valve 1/3 closed 5.5, 2/3 closed 200 (5 %)."""
    k = valve_k(ValveKind.BALL, closed_deg=closed_deg, bore_m=BORES[0.75])

    assert k == pytest.approx(published, rel=0.05)


@pytest.mark.parametrize(("closed_deg", "published"), [(5.0, 0.05), (10.0, 0.29), (20.0, 1.56), (40.0, 17.3)])
def test_turned_cock(closed_deg: float, published: float) -> None:
    """Perry's table, plug cock by angle; what is below the open valve's own loss counts as open."""
    fully_open = valve_k(ValveKind.BALL, closed_deg=0.0, bore_m=BORES[0.75])

    k = valve_k(ValveKind.BALL, closed_deg=closed_deg, bore_m=BORES[0.75])

    assert k == pytest.approx(max(published, fully_open))


def test_open_ball_valve() -> None:
    """Library `fluids`, Crane's full-bore ball valve: the same K within 0.01 %."""
    published = fluids.fittings.K_ball_valve_Crane(D1=BORES[1.0], D2=BORES[1.0], angle=0.0)

    assert valve_k(ValveKind.BALL, closed_deg=0.0, bore_m=BORES[1.0]) == pytest.approx(published, rel=1e-4)


@pytest.mark.parametrize(("closed_deg", "published"), [(0.0, 0.17), (22.5, 0.9), (45.0, 4.5), (67.5, 24.0)])
def test_gate_valve(closed_deg: float, published: float) -> None:
    """Perry's table: gate valve open, 3/4, 1/2 and 1/4 open."""
    assert valve_k(ValveKind.GATE, closed_deg=closed_deg, bore_m=0.03) == pytest.approx(published)


def test_swing_check_valve() -> None:
    """Library `fluids`, Crane's swing check valve (100 fT): the same K within 0.01 %."""
    published = fluids.fittings.K_swing_check_valve_Crane(D=BORES[1.0], angled=True)

    assert check_valve_k(CheckValveKind.SWING, bore_m=BORES[1.0]) == pytest.approx(published, rel=1e-4)


def test_lift_check_valve() -> None:
    """Library `fluids`, Crane's lift check valve, full bore (600 fT): the same K within 0.01 %."""
    published = fluids.fittings.K_lift_check_valve_Crane(D1=BORES[1.0], D2=BORES[1.0], angled=False)

    assert check_valve_k(CheckValveKind.LIFT, bore_m=BORES[1.0]) == pytest.approx(published, rel=1e-4)


@pytest.mark.parametrize(("small", "large"), [(1.0, 1.5), (0.75, 1.5), (0.75, 1.0), (0.5, 1.0), (1.0, 1.25)])
def test_changes_of_bore(small: float, large: float) -> None:
    """Library `fluids`: Rennels' contraction, Borda's expansion, Crane's tapers (1e-6)."""
    narrow, wide, taper = BORES[small], BORES[large], TAPER_DEG

    assert sudden_contraction_k(narrow, wide) == pytest.approx(
        fluids.fittings.contraction_sharp(wide, narrow), rel=1e-6
    )
    assert sudden_expansion_k(narrow, wide) == pytest.approx(fluids.fittings.diffuser_sharp(narrow, wide), rel=1e-6)
    contraction = fluids.fittings.contraction_conical(wide, narrow, angle=taper, method="Crane")
    assert gradual_contraction_k(narrow, wide) == pytest.approx(contraction, rel=1e-6)
    expansion = fluids.fittings.diffuser_conical(narrow, wide, angle=taper, method="Crane")
    assert gradual_expansion_k(narrow, wide) == pytest.approx(expansion, rel=1e-6)


@pytest.mark.parametrize(
    ("tube_m", "barb_m", "evaluated"),
    [(0.0127, 0.0095, 1.74), (0.0127, 0.008, 5.35), (0.0159, 0.012, 1.59), (0.01905, 0.015, 1.11)],
)
def test_barb_on_the_tube(tube_m: float, barb_m: float, evaluated: float) -> None:
    """Contraction, friction and expansion evaluated apart with `fluids`, on the tube's velocity (2 %)."""
    k = barb_k(barb_m, from_m=tube_m, to_m=tube_m)

    assert k * (tube_m / barb_m) ** 4 == pytest.approx(evaluated, rel=0.02)


@pytest.mark.parametrize("kind", [FittingKind.UNION, FittingKind.COUPLING])
def test_unions_and_couplings(kind: FittingKind) -> None:
    """Perry's table of minor losses: coupling 0.04, union 0.04."""
    assert fitting_k(kind, bore_m=BORES[1.0]) == 0.04


def test_rounded_entrance() -> None:
    """HVAC Pump Handbook, table 3.7: bell-mouthed entrance 0.05."""
    assert fitting_k(FittingKind.ENTRANCE_ROUNDED, bore_m=BORES[1.0]) == 0.05


def test_ball_check_valve() -> None:
    """Perry's table of minor losses: check valve with a ball, 70."""
    assert check_valve_k(CheckValveKind.BALL, bore_m=BORES[1.0]) == 70.0

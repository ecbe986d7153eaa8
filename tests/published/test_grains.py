"""Beds that lift and grains that sink, against printed examples and tables."""

import math
from typing import Any

import fluids
import pytest

from analysis.hydraulics.fluid import density_kg_m3, kinematic_viscosity_m2s
from analysis.hydraulics.grains import (
    grain_drag,
    grain_reynolds,
    lift_flows_m3s,
    lifted_head_m,
    sinking_velocity_m_s,
)
from analysis.hydraulics.media import bed_loss
from config.plant import MediaBed

LPH_M3S = 1.0 / 3.6e6
SEA_KG_M3, SEA_M2S = float(density_kg_m3(25.0, 35.16504)), float(kinematic_viscosity_m2s(25.0, 35.16504))


def bed(grain_mm: float, porosity: float, *, bore_m: float = 0.1, depth_m: float = 0.3) -> MediaBed:
    """A bed of grains."""
    return MediaBed(name="bed", bore_m=bore_m, depth_m=depth_m, grain_m=grain_mm * 1e-3, porosity=porosity)


def test_weight_of_a_lifted_bed() -> None:
    """Open exam item: 0.5 m of 1 mm glass of 2500 kg/m3, porosity 0.4, in water: 4414.5 Pa with g 9.81 (digits)."""
    head = lifted_head_m(bed(1.0, 0.4, depth_m=0.5), grain_kg_m3=2500.0, water_kg_m3=1000.0)

    assert head * 1000.0 * 9.81 == pytest.approx(4414.5, abs=0.05)


def test_sand_in_a_filter() -> None:
    """Davis, Water and Wastewater Engineering, example 11-2, a row: Re 3.1370 and C_D 9.684551 (0.01 %)."""
    reynolds = grain_reynolds(2e-3, 0.0025, 1.307e-6, shape=0.82)

    assert reynolds == pytest.approx(3.1370, abs=5e-5)
    assert grain_drag(reynolds) == pytest.approx(9.684551, rel=1e-4)


@pytest.mark.parametrize(("reynolds", "printed"), [(1.1199, 24.60549), (0.27919, 85.96328)])
def test_drag_of_smaller_sand(reynolds: float, printed: float) -> None:
    """The same table, two further rows: the full law above Re 0.5, 24 / Re below (0.01 %)."""
    assert grain_drag(reynolds) == pytest.approx(printed, rel=1e-4)


# Reactor of 100 mm with 0.30 m of medium in sea water at 25 degC; grain is size times sphericity. Densities of wet
# grains are assumed within Davis's table 11-1. Evaluated apart with Ergun's and Wen and Yu's laws:
# mm, porosity, kg/m3 -> a m/(L/h), b m/(L/h)^2, loss m at 100, 200, 400, 800 L/h, lifts at L/h by both, lifted head m.
MEDIA = {
    "carbon 0.9": (0.9 * 0.75, 0.50, 1400, 6.68e-4, 3.97e-7, (0.071, 0.149, 0.331, 0.788), (30, 79), 0.055),
    "carbon 1.5": (1.5 * 0.75, 0.50, 1400, 2.40e-4, 2.38e-7, (0.026, 0.058, 0.134, 0.345), (79, 193), 0.055),
    "ferric 1.0": (1.0, 0.45, 1600, 5.05e-4, 4.04e-7, (0.055, 0.117, 0.267, 0.663), (96, 163), 0.093),
    "ferric 0.5": (0.5, 0.45, 1600, 2.02e-3, 8.08e-7, (0.210, 0.436, 0.937, 2.13), (25, 45), 0.093),
    "ferric 2.0": (2.0, 0.45, 1600, 1.26e-4, 2.02e-7, (0.015, 0.033, 0.083, 0.230), (302, 434), 0.093),
    "sand 1.0": (1.0 * 0.75, 0.43, 2600, 1.10e-3, 6.40e-7, (0.117, 0.247, 0.545, 1.29), (146, 212), 0.263),
}


@pytest.mark.parametrize("name", MEDIA)
def test_media_in_a_reactor(name: str) -> None:
    """Ergun's law for six media: both coefficients and the loss at four flows, three digits."""
    grain_mm, porosity, _, linear, square, heads, _, _ = MEDIA[name]

    loss = bed_loss(bed(grain_mm, porosity))

    a, b = loss.viscous_per_m4 * SEA_M2S * LPH_M3S, loss.quadratic_s2_m5 * LPH_M3S**2
    assert (a, b) == pytest.approx((linear, square), rel=5e-3)
    assert [a * flow + b * flow**2 for flow in (100, 200, 400, 800)] == pytest.approx(heads, rel=5e-3, abs=6e-4)


@pytest.mark.parametrize("name", MEDIA)
def test_media_that_lift(name: str) -> None:
    """Wen and Yu (1966) and Ergun at the weight of the bed: flow at which each lifts, and its head then (digits)."""
    grain_mm, porosity, density, _, _, _, flows, head_m = MEDIA[name]
    medium = bed(grain_mm, porosity)

    found = lift_flows_m3s(medium, grain_kg_m3=density, water_kg_m3=SEA_KG_M3, viscosity_m2s=SEA_M2S)
    lifted = lifted_head_m(medium, grain_kg_m3=density, water_kg_m3=SEA_KG_M3)

    assert [flow / LPH_M3S for flow in found] == pytest.approx(flows, rel=0.01, abs=0.6)
    assert lifted == pytest.approx(head_m, abs=6e-4)


@pytest.mark.parametrize(
    ("porosity", "linear", "square"),
    [(0.48, 1.22, 1.18), (0.45, 1.66, 1.51), (0.40, 2.81, 2.34), (0.35, 4.93, 3.79), (0.30, 9.07, 6.48)],
)
def test_a_bed_that_packs(porosity: float, linear: float, square: float) -> None:
    """Ergun's law: what a porosity of 0.50 that falls does to both terms, evaluated apart (digits)."""
    before, after = bed_loss(bed(1.0, 0.50)), bed_loss(bed(1.0, porosity))

    assert after.viscous_per_m4 / before.viscous_per_m4 == pytest.approx(linear, abs=6e-3)
    assert after.quadratic_s2_m5 / before.quadratic_s2_m5 == pytest.approx(square, abs=6e-3)


def test_a_small_grain_sinks_by_stokes_law() -> None:
    """Stokes's law, v = g d^2 (rho_g / rho - 1) / (18 nu), for a grain of 0.05 mm (identity of 24 / Re, 1e-6)."""
    found = sinking_velocity_m_s(5e-5, grain_kg_m3=1400.0, water_kg_m3=1000.0, viscosity_m2s=1e-6)

    assert found == pytest.approx(9.80665 * 2.5e-9 * 0.4 / (18.0 * 1e-6), rel=1e-6)


def test_a_sinking_grain_balances_its_weight() -> None:
    """Identity: drag of a 1 mm grain at the velocity found is its weight in water."""
    velocity = sinking_velocity_m_s(1e-3, grain_kg_m3=1400.0, water_kg_m3=SEA_KG_M3, viscosity_m2s=SEA_M2S)

    drag = grain_drag(grain_reynolds(1e-3, velocity, SEA_M2S)) * math.pi / 4.0 * 1e-6 * 0.5 * SEA_KG_M3 * velocity**2
    assert drag == pytest.approx(math.pi / 6.0 * 1e-9 * (1400.0 - SEA_KG_M3) * 9.80665, rel=1e-6)


def test_correlations_of_packed_beds() -> None:
    """Carbon of 0.9 mm at 400 L/h, Pa a metre by six laws of the library `fluids`, evaluated apart: ours is Ergun's 11,061.

    The others lie within a fifth above it: Erdim, KTA, Brauer, Carman, Idelchik. So a bed's loss is good to some 10 %.
    """
    medium = bed(0.9 * 0.75, 0.50, depth_m=1.0)
    flow = 400.0 * LPH_M3S
    velocity = flow / (math.pi * 0.1**2 / 4.0)
    given: dict[str, Any] = {
        "dp": 0.9e-3 * 0.75,
        "voidage": 0.5,
        "vs": velocity,
        "rho": SEA_KG_M3,
        "mu": SEA_M2S * SEA_KG_M3,
    }
    others = {
        "Erdim, Akgiray & Demir": 12087.0,
        "KTA": 12227.0,
        "Brauer": 12317.0,
        "Carman": 13302.0,
        "Idelchik": 13282.0,
    }

    loss = bed_loss(medium)
    ours = (loss.viscous_per_m4 * SEA_M2S * flow + loss.quadratic_s2_m5 * flow**2) * SEA_KG_M3 * 9.80665

    assert ours == pytest.approx(11061.0, rel=2e-3)
    for method, printed in others.items():
        assert fluids.packed_bed.dP_packed_bed(**given, Method=method) == pytest.approx(printed, rel=2e-3)
        assert 1.0 < printed / ours < 1.21

"""Density and viscosity of water against published points."""

import gsw
import pytest

from analysis.hydraulics.fluid import density_kg_m3, dynamic_viscosity_pa_s, kinematic_viscosity_m2s

# ITTC Recommended Procedure 7.5-02-01-03, Table 3: sea water of 35.16504 g/kg, degC -> kg/m3 and m2/s.
ITTC_SEA = {
    20: (1024.8103, 1.0508e-6),
    21: (1024.5421, 1.0263e-6),
    22: (1024.2656, 1.0027e-6),
    23: (1023.9808, 9.8002e-7),
    24: (1023.6881, 9.5818e-7),
    25: (1023.3873, 9.3713e-7),
    26: (1023.0788, 9.1683e-7),
    27: (1022.7626, 8.9726e-7),
    28: (1022.4389, 8.7837e-7),
    29: (1022.1078, 8.6014e-7),
    30: (1021.7694, 8.4253e-7),
}
# The same, Table 1: fresh water.
ITTC_FRESH_DENSITY = {15: 999.1026, 20: 998.2072, 25: 997.0476, 30: 995.6495}
ITTC_FRESH_VISCOSITY = {15: 1.1386e-6, 20: 1.0034e-6}


@pytest.mark.parametrize(("temperature_c", "published"), ITTC_SEA.items())
def test_sea_water_density(temperature_c: int, published: tuple[float, float]) -> None:
    """ITTC Table 3: density within 0.05 % (the correlation states 0.1 %)."""
    assert float(density_kg_m3(temperature_c, 35.16504)) == pytest.approx(published[0], rel=5e-4)


@pytest.mark.parametrize(("temperature_c", "published"), ITTC_SEA.items())
def test_sea_water_viscosity(temperature_c: int, published: tuple[float, float]) -> None:
    """ITTC Table 3: kinematic viscosity within 0.05 %."""
    assert float(kinematic_viscosity_m2s(temperature_c, 35.16504)) == pytest.approx(published[1], rel=5e-4)


@pytest.mark.parametrize(("temperature_c", "published"), ITTC_FRESH_DENSITY.items())
def test_fresh_water_density(temperature_c: int, published: float) -> None:
    """ITTC Table 1: density of fresh water within 0.02 % (the correlation states 0.1 %)."""
    assert float(density_kg_m3(temperature_c, 0.0)) == pytest.approx(published, rel=2e-4)


@pytest.mark.parametrize(("temperature_c", "published"), ITTC_FRESH_VISCOSITY.items())
def test_fresh_water_viscosity(temperature_c: int, published: float) -> None:
    """ITTC Table 1: kinematic viscosity of fresh water to the printed digits."""
    assert float(kinematic_viscosity_m2s(temperature_c, 0.0)) == pytest.approx(published, rel=5e-4)


def test_viscosity_against_measurement() -> None:
    """Dorsey 1940, as printed in the R package oce (swViscosity): 30 psu at 10 degC, 1.383779e-3 Pa s (0.2 %)."""
    salinity = 30.0 * 35.16504 / 35.0

    assert float(dynamic_viscosity_pa_s(10.0, salinity)) == pytest.approx(1.383779e-3, rel=2e-3)


@pytest.mark.parametrize("temperature_c", [18.0, 22.0, 25.0, 30.0])
@pytest.mark.parametrize("salinity_g_per_kg", [0.0, 20.0, 35.0, 40.0])
def test_density_against_teos_10(temperature_c: float, salinity_g_per_kg: float) -> None:
    """TEOS-10 (library gsw), 0 dbar: within 0.05 % over the water of any tank."""
    conservative = gsw.CT_from_t(salinity_g_per_kg, temperature_c, 0.0)
    teos = float(gsw.rho(salinity_g_per_kg, conservative, 0.0))

    assert float(density_kg_m3(temperature_c, salinity_g_per_kg)) == pytest.approx(teos, rel=5e-4)

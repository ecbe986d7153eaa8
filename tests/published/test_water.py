"""Density and viscosity of fresh and sea water, point by point against published values."""

import gsw
import pytest

from analysis.hydraulics.fluid import density_kg_m3, dynamic_viscosity_pa_s, kinematic_viscosity_m2s

REFERENCE_SALINITY = 35.16504  # absolute salinity, g/kg, of sea water of practical salinity 35 (TEOS-10)
T68_OVER_T90 = 1.00024

# ITTC Recommended Procedure 7.5-02-01-03, Table 3: sea water of 35.16504 g/kg, degC -> kg/m3 and m2/s. Its densities
# are TEOS-10 at a sea pressure of 10.1325 dbar, the atmosphere counted twice, and so 0.0043 % high.
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
# TEOS-10 library's own page of gsw_rho: absolute salinity g/kg, conservative temperature degC, sea pressure dbar, kg/m3.
TEOS_10 = (
    (34.7118, 28.8099, 10.0, 1021.839935738108),
    (34.8915, 28.4392, 50.0, 1022.262457966867),
    (35.0256, 22.7862, 125.0, 1024.427195413316),
    (34.8472, 10.2262, 250.0, 1027.790152759127),
    (34.7366, 6.8272, 600.0, 1029.837779000189),
    (34.7324, 4.3236, 1000.0, 1032.002453224572),
)


@pytest.mark.parametrize(("temperature_c", "published"), ITTC_SEA.items())
def test_sea_water_density(temperature_c: int, published: tuple[float, float]) -> None:
    """ITTC Table 3: density within 0.005 %."""
    assert float(density_kg_m3(temperature_c, REFERENCE_SALINITY)) == pytest.approx(published[0], rel=5e-5)


@pytest.mark.parametrize(("temperature_c", "published"), ITTC_SEA.items())
def test_sea_water_viscosity(temperature_c: int, published: tuple[float, float]) -> None:
    """ITTC Table 3: kinematic viscosity within 0.05 %."""
    assert float(kinematic_viscosity_m2s(temperature_c, REFERENCE_SALINITY)) == pytest.approx(published[1], rel=5e-4)


@pytest.mark.parametrize(("temperature_c", "published"), ITTC_FRESH_DENSITY.items())
def test_fresh_water_density(temperature_c: int, published: float) -> None:
    """ITTC Table 1: density of fresh water within 0.005 %."""
    assert float(density_kg_m3(temperature_c, 0.0)) == pytest.approx(published, rel=5e-5)


@pytest.mark.parametrize(("temperature_c", "published"), ITTC_FRESH_VISCOSITY.items())
def test_fresh_water_viscosity(temperature_c: int, published: float) -> None:
    """ITTC Table 1: kinematic viscosity of fresh water within 0.05 %."""
    assert float(kinematic_viscosity_m2s(temperature_c, 0.0)) == pytest.approx(published, rel=5e-4)


@pytest.mark.parametrize(("salinity", "published"), [(REFERENCE_SALINITY, 1021.72863949), (0.0, 995.65113374)])
def test_density_by_the_check_values_of_eos_80(salinity: float, published: float) -> None:
    """UNESCO Technical Paper in Marine Science 44 (1983), page 22: S 35 and 0 at T68 30 degC, to the printed digits."""
    assert float(density_kg_m3(30.0 / T68_OVER_T90, salinity)) == pytest.approx(published, abs=1e-8)


@pytest.mark.parametrize(("salinity", "conservative_c", "pressure_dbar", "published"), TEOS_10)
def test_density_by_the_points_of_teos_10(
    salinity: float, conservative_c: float, pressure_dbar: float, published: float
) -> None:
    """TEOS-10, page of gsw_rho: six printed points in the sea; the library brings each up to the surface (0.005 %).

    The library itself gives the printed figure, so that the ratio of its two densities is the water's compression.
    """
    deep, shallow = (float(gsw.rho(salinity, conservative_c, at)) for at in (pressure_dbar, 0.0))
    temperature_c = float(gsw.t_from_CT(salinity, conservative_c, 0.0))

    assert deep == pytest.approx(published, rel=1e-12)
    assert float(density_kg_m3(temperature_c, salinity)) == pytest.approx(published * shallow / deep, rel=5e-5)


@pytest.mark.parametrize("temperature_c", [4.0, 18.0, 22.0, 25.0, 30.0, 40.0])
@pytest.mark.parametrize("salinity_g_per_kg", [0.0, 20.0, 30.0, 35.0, 42.0])
def test_density_against_teos_10(temperature_c: float, salinity_g_per_kg: float) -> None:
    """TEOS-10 (library gsw), 0 dbar: within 0.005 % over the water of any tank."""
    conservative = gsw.CT_from_t(salinity_g_per_kg, temperature_c, 0.0)
    teos = float(gsw.rho(salinity_g_per_kg, conservative, 0.0))

    assert float(density_kg_m3(temperature_c, salinity_g_per_kg)) == pytest.approx(teos, rel=5e-5)


def test_viscosity_by_the_formulation_for_industry() -> None:
    """IAPWS R12-08, its check value: 8.897351001e-4 Pa s at 298.15 K and 998 kg/m3 (0.05 %).

    At one atmosphere the density there is 997.05 kg/m3, which raises viscosity by 0.03 %.
    """
    assert float(dynamic_viscosity_pa_s(25.0, 0.0)) == pytest.approx(8.897351001e-4, rel=5e-4)


def test_viscosity_against_measurement() -> None:
    """Dorsey 1940, as printed in the R package oce (swViscosity): 30 psu at 10 degC, 1.383779e-3 Pa s (0.1 %)."""
    salinity = 30.0 * REFERENCE_SALINITY / 35.0

    assert float(dynamic_viscosity_pa_s(10.0, salinity)) == pytest.approx(1.383779e-3, rel=1e-3)

"""Friction factors against tables: values, errors of the explicit formula, and where flow turns."""

import fluids
import numpy as np
import pytest

from analysis.hydraulics.fluid import kinematic_viscosity_m2s
from analysis.hydraulics.friction import (
    COLEBROOK_REACH,
    LAMINAR_BELOW_RE,
    LOG_SCALE,
    TURBULENT_ABOVE_RE,
    FrictionLaw,
    colebrook_start,
    friction_factor,
)

PVC_ONE_INCH = 5.6e-5  # roughness over bore of 1 in plastic pipe

# Re -> Colebrook (library `fluids`, Clamond), Swamee-Jain, Serghides; evaluated apart, eight digits.
TABLE = {
    5e3: (0.03745537, 0.03791779, 0.03745523),
    1e4: (0.03096946, 0.03107121, 0.03096906),
    2e4: (0.02600575, 0.02595442, 0.02600523),
    5e4: (0.02109256, 0.02098967, 0.02109208),
    1e5: (0.01828759, 0.01819941, 0.01828722),
}


@pytest.mark.parametrize("reynolds", TABLE)
def test_table_of_friction_factors(reynolds: float) -> None:
    """Colebrook and Swamee-Jain to the table's digits; where the root is begun, Serghides, as well."""
    colebrook, swamee_jain, serghides = TABLE[reynolds]
    start = colebrook_start(np.array([COLEBROOK_REACH / reynolds]), np.array([PVC_ONE_INCH / 3.7]))

    assert float(friction_factor(reynolds, PVC_ONE_INCH)) == pytest.approx(colebrook, abs=6e-9)
    explicit = friction_factor(reynolds, PVC_ONE_INCH, law=FrictionLaw.SWAMEE_JAIN)
    assert float(explicit) == pytest.approx(swamee_jain, abs=6e-9)
    assert float(1.0 / (LOG_SCALE * start[0]) ** 2) == pytest.approx(serghides, abs=6e-9)


@pytest.mark.parametrize(
    ("roughness", "lowest", "highest"), [(0.0, -0.71, 1.62), (PVC_ONE_INCH, -0.51, 1.63), (1e-3, 0.60, 1.92)]
)
def test_error_of_swamee_and_jain(roughness: float, lowest: float, highest: float) -> None:
    """Against Colebrook from Re 4,000 to 100,000, per cent, evaluated apart with `fluids`: two decimals."""
    reynolds = np.geomspace(4e3, 1e5, 400)
    exact = np.array([fluids.friction.Clamond(number, roughness) for number in reynolds])

    error = 100.0 * (friction_factor(reynolds, roughness, law=FrictionLaw.SWAMEE_JAIN) / exact - 1.0)

    assert (error.min(), error.max()) == pytest.approx((lowest, highest), abs=0.02)


@pytest.mark.parametrize(
    ("bore_mm", "laminar_to", "turbulent_from", "fast_at"),
    [
        (6.0, 32, 64, 153),
        (9.5, 50, 101, 383),
        (12.7, 67, 135, 684),
        (13.868, 73, 147, 816),
        (15.799, 84, 167, 1059),
        (20.930, 111, 222, 1858),
        (26.645, 141, 282, 3011),
        (35.052, 186, 372, 5211),
        (40.894, 217, 433, 7093),
    ],
)
def test_flow_at_which_the_regime_turns(bore_mm: float, laminar_to: int, turbulent_from: int, fast_at: int) -> None:
    """Sea water at 25 degC (ITTC, 9.3713e-7 m2/s): L/h at Re 2,000 and 4,000, and at 1.5 m/s, to a litre an hour."""
    viscosity = float(kinematic_viscosity_m2s(25.0, 35.16504))
    bore_m = bore_mm / 1e3
    lph_per_reynolds = viscosity * np.pi * bore_m / 4.0 * 3.6e6

    assert LAMINAR_BELOW_RE * lph_per_reynolds == pytest.approx(laminar_to, abs=0.6)
    assert TURBULENT_ABOVE_RE * lph_per_reynolds == pytest.approx(turbulent_from, abs=0.6)
    assert 1.5 * np.pi * bore_m**2 / 4.0 * 3.6e6 == pytest.approx(fast_at, abs=1.0)


def test_no_step_where_flow_turns() -> None:
    """`fluids.friction_factor` steps up by 57 % at Re 2,040; ours has no step of a thousandth anywhere (identity)."""
    reynolds = np.linspace(1500.0, 5000.0, 35_001)

    ours = friction_factor(reynolds, 0.0)
    theirs = [fluids.friction_factor(number, 0.0) for number in (2039.0, 2041.0)]

    assert theirs[1] / theirs[0] == pytest.approx(1.57, abs=0.01)
    assert np.max(np.abs(np.diff(ours) / ours[:-1])) < 1e-3

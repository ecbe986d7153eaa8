"""The friction factor's joints and slope."""

import numpy as np
import pytest

from analysis.frames import Floats
from analysis.hydraulics.friction import FrictionCurve, FrictionLaw, friction_factor

LAWS = list(FrictionLaw)
ROUGHNESS = np.array([0.0, 5.6e-5, 1e-3])


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("joint", [2000.0, 4000.0])
def test_joints_are_smooth(law: FrictionLaw, joint: float) -> None:
    """Identity: value and slope meet at the ends of the transition."""
    curve = FrictionCurve.of(ROUGHNESS, law=law)

    below, slope_below = curve.at(np.full(3, joint * (1.0 - 1e-9)))
    above, slope_above = curve.at(np.full(3, joint * (1.0 + 1e-9)))

    assert below == pytest.approx(above, rel=1e-7)
    assert slope_below == pytest.approx(slope_above, abs=1e-5)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("reynolds", [500.0, 2200.0, 3500.0, 4500.0, 2e4, 3e5])
def test_slope_is_the_derivative(law: FrictionLaw, reynolds: float) -> None:
    """Identity: d ln f / d ln Re against a central difference (0.2 % of it)."""
    curve = FrictionCurve.of(ROUGHNESS, law=law)

    def log_factor(at: float) -> Floats:
        factor: Floats = np.log(curve.at(np.full(3, at))[0])
        return factor

    numeric = (log_factor(reynolds * 1.0001) - log_factor(reynolds / 1.0001)) / (2.0 * np.log(1.0001))
    assert curve.at(np.full(3, reynolds))[1] == pytest.approx(numeric, abs=5e-4)


def test_laminar_is_hagen_poiseuille() -> None:
    """Identity: 64 / Re below 2000, whatever the roughness."""
    assert friction_factor(np.array([10.0, 1999.0]), 1e-3) == pytest.approx([6.4, 64.0 / 1999.0])


@pytest.mark.parametrize("law", LAWS)
def test_loss_rises_with_flow_all_through(law: FrictionLaw) -> None:
    """Identity: f Re^2 rises everywhere, so a pipe has one flow for one loss."""
    reynolds = np.geomspace(10.0, 1e6, 20_000)

    loss = friction_factor(reynolds, 5.6e-5, law=law) * reynolds**2

    assert np.all(np.diff(loss) > 0.0)

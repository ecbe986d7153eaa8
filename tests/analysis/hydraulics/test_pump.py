"""Pump curves."""

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from analysis.hydraulics.pump import MonotoneCurve, PowerCurve, PumpCurve, pump_curve, pump_head

SIX = ((0.0, 4.0), (1000.0, 3.9), (3000.0, 3.6), (6000.0, 2.9), (9000.0, 1.6), (11000.0, 0.3))
POWER = pump_curve(((0.0, 4.6), (6000.0, 3.4), (11000.0, 0.6)))


def test_monotone_curve_is_scipys() -> None:
    """Scipy's PchipInterpolator through the same six points: the same to 1e-12, and so its slope."""
    curve = pump_curve(SIX)
    flow = np.linspace(0.0, 11000.0, 500)
    theirs = PchipInterpolator(*zip(*SIX, strict=True))

    head, slope = curve.at(flow)

    assert head == pytest.approx(theirs(flow), abs=1e-12)
    assert slope == pytest.approx(theirs(flow, 1), abs=1e-12)


def test_monotone_curve_runs_on_straight() -> None:
    """Identity: beyond its last point the head falls at the last slope."""
    curve = pump_curve(SIX)

    head, slope = curve.at(np.array([11000.0, 11500.0, 12000.0]))

    assert head[2] - head[1] == pytest.approx(head[1] - head[0])
    assert slope[2] == slope[0]


def test_monotone_curve_always_falls() -> None:
    """Identity: through a near plateau the head never rises."""
    curve = pump_curve(((0.0, 4.0), (2000.0, 3.999), (4000.0, 3.998), (6000.0, 1.0), (7000.0, 0.9)))

    assert np.all(np.diff(curve.at(np.linspace(0.0, 9000.0, 2000))[0]) <= 1e-15)


def test_three_points_without_shut_off_are_interpolated() -> None:
    """Without the head at no flow a power law has nothing to stand on."""
    assert isinstance(pump_curve(((1000.0, 4.0), (2000.0, 3.0), (3000.0, 1.0))), MonotoneCurve)


def test_a_power_beyond_20_is_interpolated() -> None:
    """EPANET refuses exponents above 20; such points are interpolated."""
    assert isinstance(pump_curve(((0.0, 4.0), (5000.0, 3.9999999), (5500.0, 1.0))), MonotoneCurve)


def test_two_points_make_a_parabola() -> None:
    """Identity: most head and most flow, the two figures on the box, give H0 (1 - (Q/Qmax)^2)."""
    curve = pump_curve(((0.0, 4.0), (10_000.0, 0.0)))

    assert curve.at(np.array([5000.0]))[0] == pytest.approx(3.0)
    assert curve.widest_m3s == pytest.approx(10_000.0)


@pytest.mark.parametrize("curve", [POWER, pump_curve(SIX), pump_curve(((6000.0, 3.4),))])
def test_slope_is_the_derivative(curve: PumpCurve) -> None:
    """Identity: the slope against a central difference, with speed and wear."""
    flow = np.array([500.0, 2500.0, 5000.0, 8000.0])
    state = {"speed": 0.85, "head_factor": 0.9, "flow_factor": 0.95}

    _, slope = pump_head(curve, flow, **state)

    numeric = (pump_head(curve, flow + 0.01, **state)[0] - pump_head(curve, flow - 0.01, **state)[0]) / 0.02
    assert slope == pytest.approx(numeric, rel=1e-5)


def test_affinity_of_the_power_curve() -> None:
    """EPANET's pumpcoeff(): at speed w the curve is w^2 A - B w^(2-C) Q^C."""
    assert isinstance(POWER, PowerCurve)
    flow, speed = np.array([1000.0, 4000.0]), 0.7

    head, _ = pump_head(POWER, flow, speed=speed)

    slowed = POWER.coefficient * speed ** (2.0 - POWER.exponent)
    assert head == pytest.approx(speed**2 * POWER.shut_off_m - slowed * flow**POWER.exponent)


def test_curve_passes_through_its_points() -> None:
    """Identity: three points, three heads."""
    assert POWER.at(np.array([0.0, 6000.0, 11000.0]))[0] == pytest.approx([4.6, 3.4, 0.6])

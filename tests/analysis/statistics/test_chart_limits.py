"""Limits of a CUSUM for values that wander, against simulation."""

import numpy as np
import pytest

from analysis.statistics.chart_limits import (
    HIGHEST_PHI,
    cusum_chart,
    cusum_limit,
    values_between_alarms,
    values_of_rate,
    values_to_signal,
)

STEPS, SERIES = 6_000, 400
# Two-sided, k 0.5, values between two alarms at h 4 and h 5, each simulated once with another program, to about 5 %.
SIMULATED = {0.0: (175, 482), 0.25: (62, 121), 0.5: (32, 51), 0.75: (20, 27), 0.9: (15, 20)}


def simulated(limit: float, *, allowance: float, phi: float) -> float:
    """Values between two signals of a two-sided CUSUM, its sides set back one by one, after a tenth to settle."""
    random = np.random.default_rng(20)
    value = random.standard_normal(SERIES)
    sums = np.zeros((2, SERIES))
    signals = 0
    for step in range(STEPS):
        value = phi * value + np.sqrt(1.0 - phi**2) * random.standard_normal(SERIES)
        sums = np.maximum(sums + np.stack([value, -value]) - allowance, 0.0)
        over = sums > limit
        sums[over] = 0.0
        signals += int(over.sum()) if step >= STEPS // 10 else 0
    return 0.9 * STEPS * SERIES / signals


@pytest.mark.parametrize("phi", list(SIMULATED))
@pytest.mark.parametrize("place", [0, 1])
def test_wandering_values_ring_far_more_often(phi: float, place: int) -> None:
    """With the limits that books give, at every correlation of the table."""
    found = 0.5 * values_between_alarms((4.0, 5.0)[place], allowance=0.5, phi=phi)

    assert found == pytest.approx(SIMULATED[phi][place], rel=0.05)


@pytest.mark.parametrize(("phi", "limit", "allowance"), [(0.5, 10.0, 0.5), (0.9, 25.0, 0.5), (0.95, 30.0, 0.8)])
def test_alarms_come_as_often_as_simulated(phi: float, limit: float, allowance: float) -> None:
    """Over 2.2 million values: some thousand signals."""
    found = 0.5 * values_between_alarms(limit, allowance=allowance, phi=phi)

    assert found == pytest.approx(simulated(limit, allowance=allowance, phi=phi), rel=0.06)


def test_the_limit_gives_the_rate_that_was_asked_for() -> None:
    """Once in 400 values, as the simulation counts them."""
    limit = cusum_limit(400.0, allowance=0.7, phi=0.8)

    assert simulated(limit, allowance=0.7, phi=0.8) == pytest.approx(400.0, rel=0.06)


def test_memory_asks_for_a_wider_limit() -> None:
    """For one rate of false alarms."""
    rate = values_of_rate(1.0)
    limits = [cusum_limit(rate, allowance=0.5, phi=phi) for phi in (0.0, 0.3, 0.6, 0.8)]

    assert limits == sorted(limits)
    assert limits[-1] > 5 * limits[0]


def test_the_soonest_chart_of_independent_values() -> None:
    """Half the shift as allowance (Moustakides 1986), h and delay as for one sigma: 7.92 and 16.2 hours."""
    chart = cusum_chart(values_of_rate(1.0), shift=1.0, phi=0.0)

    assert chart.allowance == 0.5
    assert chart.limit == pytest.approx(7.92, abs=0.01)
    assert chart.delay == pytest.approx(16.2, abs=0.1)


def test_no_other_allowance_is_sooner() -> None:
    """Of wandering values, at the same rate of false alarms."""
    chart = cusum_chart(1000.0, shift=1.5, phi=0.7)
    limit = cusum_limit(1000.0, allowance=0.5, phi=0.7)

    assert chart.delay <= values_to_signal(limit, allowance=0.5, phi=0.7, shift=1.5)


def test_too_long_a_memory_is_refused() -> None:
    """With what to do instead."""
    with pytest.raises(ValueError, match="take means over longer spans"):
        cusum_limit(1000.0, allowance=0.5, phi=HIGHEST_PHI + 0.01)

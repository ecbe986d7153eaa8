"""One rate to one flow, against the function for whole frames."""

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from analysis.calibration import flow_of_rate
from analysis.events import Event, EventKind
from analysis.factors import factors_at
from config.plant import Meter
from daemon.metered import flow_at

LITRE_AN_HOUR = 1 / 3.6e6

points = st.lists(st.tuples(st.integers(1, 400), st.integers(100, 1000)), min_size=1, max_size=4).map(
    lambda steps: tuple(
        (sum(step for step, _ in steps[: place + 1]) * 10 * LITRE_AN_HOUR, 300 + k / 10)
        for place, (_, k) in enumerate(steps)
    )
)


def test_constant_factor() -> None:
    """50 pulses a second at 450 pulses a litre are 400 litres an hour."""
    assert flow_at(50.0, ((0.0, 450.0),)) == pytest.approx(400 * LITRE_AN_HOUR)


@given(points, st.floats(0, 1000))
@example(((0.00005, 310.0), (0.00005 + 10 * LITRE_AN_HOUR, 327.3)), 0.0)
def test_same_as_for_frames(k_points: tuple[tuple[float, float], ...], rate_hz: float) -> None:
    """The scalar way and the way for frames give the same flow for any table of factors."""
    assert flow_at(rate_hz, k_points) == pytest.approx(float(flow_of_rate(np.array([rate_hz]), k_points)[0]), rel=1e-9)


def test_calibrations_count_from_their_date() -> None:
    """The latest calibration before a time is in force; before the first, the plant file is."""
    meter = Meter(name="M1", k_points=((0.0, 450.0),))
    events = [
        Event(at_s=at_s, kind=EventKind.CALIBRATION, target=target, value=value)
        for at_s, target, value in ((200.0, "M1", "470"), (100.0, "M1", "460"), (150.0, "M2", "999"))
    ]

    assert [factors_at(meter, events, at_s)[0][1] for at_s in (50.0, 100.0, 199.0, 500.0)] == [450, 460, 460, 470]

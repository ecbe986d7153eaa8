"""Flow by the K-factors in force."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from analysis.calibration import flow_of, flow_of_rate
from analysis.frames import Event, EventKind, HourFrame
from config.plant import Meter

L_PER_H = 1 / 3.6e6  # m3/s


def hours(rates: list[list[float]], *meters: str) -> HourFrame:
    """Hours from the epoch on."""
    rate = np.array(rates, dtype=float)
    return HourFrame(start_s=0, meters=meters, rate=rate, seconds=np.full_like(rate, 3600), off_s=np.zeros(len(rate)))


def test_a_constant_k_factor() -> None:
    """450 pulses a litre at 75 pulses a second are 600 L/h (worked by hand: 75 / 450 * 3600)."""
    flow = flow_of(hours([[75.0]], "M1"), [Meter(name="M1", k_points=((0.0, 450.0),))])
    assert flow[0, 0] == pytest.approx(600 * L_PER_H)


def test_an_unknown_rate_gives_an_unknown_flow() -> None:
    """Not known stays not known."""
    flow = flow_of(hours([[np.nan]], "M1"), [Meter(name="M1", k_points=((0.0, 450.0), (1e-4, 470.0)))])
    assert np.isnan(flow[0, 0])


@given(
    st.lists(st.floats(300, 600), min_size=2, max_size=5),
    st.floats(0, 4e-4),
)
def test_a_table_of_k_factors_is_solved_exactly(factors: list[float], flow_m3s: float) -> None:
    """The flow that is found, times its K-factor, gives the rate back."""
    flows = np.linspace(5e-5, 3e-4, len(factors))
    k = np.interp(flow_m3s, flows, factors)
    points = tuple(zip(flows.tolist(), factors, strict=True))
    slopes = np.diff(factors) / np.diff(flows)
    # where a table falls so steeply that more flow would give fewer pulses a second, no flow can be told from them
    rising = min(*(factors[:-1] + slopes * flows[:-1]), *(factors[1:] + slopes * flows[1:])) > 1
    found = flow_of_rate(np.array([flow_m3s * k * 1000]), points)[0]
    assume(rising)
    assert found == pytest.approx(flow_m3s, rel=1e-9, abs=1e-15)


def test_a_calibration_holds_from_its_date_on() -> None:
    """The bucket test in the third hour changes the fourth and later, for its meter only."""
    events = [
        Event(at_s=2.5 * 3600, kind=EventKind.CALIBRATION, target="M1", value="500"),
        Event(at_s=0, kind=EventKind.PUMP_SPEED, target="pump", value="80"),
    ]
    meters = [Meter(name=name, k_points=((0.0, 450.0),)) for name in ("M1", "M2")]
    flow = flow_of(hours([[90.0, 90.0]] * 5, "M1", "M2"), meters, events)
    np.testing.assert_allclose(90 / flow[:, 0] / 1000, [450, 450, 450, 500, 500])
    np.testing.assert_allclose(90 / flow[:, 1] / 1000, 450)


def test_the_latest_calibration_wins() -> None:
    """Whatever the order of the journal."""
    events = [
        Event(at_s=3600, kind=EventKind.CALIBRATION, target="M1", value="520"),
        Event(at_s=0, kind=EventKind.CALIBRATION, target="M1", value="500"),
    ]
    flow = flow_of(hours([[90.0]] * 2, "M1"), [Meter(name="M1", k_points=((0.0, 450.0),))], events)
    np.testing.assert_allclose(90 / flow[:, 0] / 1000, [500, 520])

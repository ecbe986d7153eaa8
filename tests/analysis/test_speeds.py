"""The pump's speed by the journal."""

import numpy as np

from analysis.events import EventKind
from analysis.speeds import speeds_of
from tests.support.simulated_stories import event, told

FRAME = told("healthy").frame.until(8)


def test_without_entries_it_is_as_written() -> None:
    """The plant file's speed, in every hour."""
    found = speeds_of(FRAME, (), 0.8)

    assert found.after.tolist() == [0.8] * 8
    assert not found.mixed.any()


def test_entries_hold_from_their_hour_on() -> None:
    """An entry before the frame sets its first hour, one on the hour leaves no hour mixed, one within it does."""
    entries = [
        event(hour, EventKind.PUMP_SPEED, "pump", value)
        for hour, value in ((5.5, "70"), (2.0, "90"), (-3.0, "60"), (6.2, "70"), (40.0, "10"))
    ]

    found = speeds_of(FRAME, entries, 1.0)

    assert found.after.tolist() == [0.6, 0.6, 0.9, 0.9, 0.9, 0.7, 0.7, 0.7]
    assert np.flatnonzero(found.mixed).tolist() == [5]

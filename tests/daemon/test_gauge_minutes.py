"""Values of gauges into rows of minutes; mean and spread against numpy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.gauge_minutes import GaugeBook
from daemon.readings import GaugeValue
from daemon.store.gauge_rows import GaugeRow, WaitingGauges, joined

MINUTE_MS = 60_000
OFFSET_MS = 1_700_000_000_000 // MINUTE_MS * MINUTE_MS
values = st.floats(-1e6, 1e6)


def value(at_ms: int, shown: float, gauge: str = "mains") -> GaugeValue:
    """A value that arrived then, on the monotonic clock."""
    return GaugeValue(gauge=gauge, value=shown, arrival_ms=at_ms)


def row_of(shown: list[float]) -> GaugeRow:
    """A row of these values, by numpy."""
    sd = float(np.std(shown, ddof=1)) if len(shown) > 1 else None
    return GaugeRow(minute=7, gauge=1, mean=float(np.mean(shown)), sd=sd, samples=len(shown))


@given(st.lists(values, min_size=1, max_size=60))
def test_a_row_is_mean_spread_and_number(shown: list[float]) -> None:
    """As numpy has them (sample standard deviation), of values a second apart."""
    book = GaugeBook({"mains": 1})
    for second, each in enumerate(shown):
        assert book.add(value(1000 * second, each), wall_minus_steady_ms=7 * MINUTE_MS)

    (row,) = book.take()

    wanted = row_of(shown)
    assert row[:2] == (7, 1)
    assert row.samples == wanted.samples
    assert row.mean == pytest.approx(wanted.mean, rel=1e-9, abs=1e-6)
    assert row.sd == (None if wanted.sd is None else pytest.approx(wanted.sd, rel=1e-6, abs=1e-4))


@given(st.lists(values, min_size=1, max_size=20), st.lists(values, min_size=1, max_size=20))
def test_two_rows_of_a_minute_are_as_one_of_all(one: list[float], other: list[float]) -> None:
    """Identity: whatever the cut, as numpy has all values together."""
    row, wanted = joined(row_of(one), row_of(other)), row_of(one + other)

    assert row.samples == wanted.samples
    assert row.mean == pytest.approx(wanted.mean, rel=1e-9, abs=1e-6)
    assert row.sd == pytest.approx(wanted.sd, rel=1e-6, abs=1e-3)


def test_minutes_that_are_over_are_taken_and_others_stay() -> None:
    """Each gauge by itself, in order of time."""
    book = GaugeBook({"mains": 1, "header": 2})
    for minute in (0, 1, 2):
        book.add(value(MINUTE_MS * minute, 50.0 + minute), wall_minus_steady_ms=0)
        book.add(value(MINUTE_MS * minute, 20.0 + minute, "header"), wall_minus_steady_ms=0)

    assert [row[:3] for row in book.take(before_minute=2)] == [(0, 1, 50.0), (0, 2, 20.0), (1, 1, 51.0), (1, 2, 21.0)]
    assert book.take(before_minute=2) == []
    assert [row[:3] for row in book.take()] == [(2, 1, 52.0), (2, 2, 22.0)]


def test_the_last_of_a_burst_stands_for_all() -> None:
    """What a broker kept comes at once, and nothing says when it was; half a second after it, a value counts anew."""
    book = GaugeBook({"mains": 1})
    counted = [
        book.add(value(at_ms, shown), wall_minus_steady_ms=0) for at_ms, shown in ((0, 1), (9, 2), (499, 3), (500, 9))
    ]

    (row,) = book.take()

    assert counted == [True, False, False, True]
    assert (row.mean, row.samples) == (6.0, 2)


def test_a_value_that_is_sent_again_counts_once() -> None:
    """The broker did not hear that it came; one that is marked so and was never seen counts."""
    book = GaugeBook({"mains": 1})
    came = [(0, 5.0, False), (900, 5.0, True), (2000, 7.0, True), (4000, 7.0, False)]
    counted = [
        book.add(GaugeValue(gauge="mains", value=shown, arrival_ms=at_ms, again=again), wall_minus_steady_ms=0)
        for at_ms, shown, again in came
    ]

    (row,) = book.take()

    assert counted == [True, False, True, True]
    assert row.samples == 3
    assert row.mean == pytest.approx(19 / 3)


def test_rows_that_wait_are_joined_and_thinned() -> None:
    """Every second minute of the older half goes when there are too many, and is counted; the newest stay."""
    waiting = WaitingGauges(most=10)
    waiting.add([GaugeRow(1, 1, 4.0, None, 1)], anchor=0)
    waiting.add([GaugeRow(1, 1, 6.0, None, 1)], anchor=0)
    assert [row.mean for _, row in waiting] == [5.0]

    waiting.add([GaugeRow(minute, 1, 5.0, None, 1) for minute in range(2, 12)], anchor=0)

    assert len(waiting) + waiting.dropped == 11
    assert waiting.dropped == 2
    assert [row.minute for _, row in waiting][-7:] == [5, 6, 7, 8, 9, 10, 11]
    waiting.clear()
    assert not list(waiting)

"""A chart learned from healthy hours rings as seldom as was asked for, where a textbook one does not."""

import numpy as np
import pytest

from analysis.frames import Floats
from analysis.statistics.control_charts import cusum
from analysis.statistics.measured_chart import MeasuredChart, chart_of

TAU_H, MEAN, SD = 20.0, 7.0, 0.011
LEARNED_H, WATCHED_H, SERIES = 60 * 24, 2 * 8766, 12
A_MONTH = 1.0 / 730.5


def hours(seed: int, count: int) -> Floats:
    """[T] hours that wander as meters do: 1.1 % with a memory of 20 hours."""
    random = np.random.default_rng(seed)
    kept = np.exp(-1.0 / TAU_H)
    values = np.empty(count)
    value = random.standard_normal()
    for hour, fresh in enumerate(random.standard_normal(count)):
        value = kept * value + np.sqrt(1.0 - kept**2) * fresh
        values[hour] = value
    return MEAN + SD * values


@pytest.fixture(scope="module")
def learned() -> MeasuredChart:
    """From 60 days, for a signal a month and a shift of 2 %."""
    return chart_of(hours(1, LEARNED_H), false_alarms=A_MONTH, shift=0.02)


def alarms_a_month(chart: MeasuredChart, values: Floats) -> float:
    """Signals, each side set back by itself: counted one by one, from signal to signal."""
    signals = 0
    for sign in (1.0, -1.0):
        left = MEAN + sign * (values - MEAN)
        mirrored = MeasuredChart(
            span=chart.span, mean=MEAN + sign * (chart.mean - MEAN), sd=chart.sd, phi=chart.phi, chart=chart.chart
        )
        while len(left):
            over = np.flatnonzero(mirrored.sums(left).upper > chart.chart.limit)
            signals += bool(over.size)
            left = left[(over[0] + 1) * chart.span :] if over.size else left[:0]
    return signals / (len(values) * A_MONTH)


def test_what_was_measured(learned: MeasuredChart) -> None:
    """Mean and spread are those of the wander, and the memory is hardly shorter."""
    kept = float(np.exp(-learned.span / TAU_H))

    assert learned.mean == pytest.approx(MEAN, abs=0.005)
    assert learned.sd == pytest.approx(SD, rel=0.25)
    assert kept - 0.1 < learned.phi <= 0.85


def test_false_alarms_come_as_seldom_as_asked_for(learned: MeasuredChart) -> None:
    """One a month and no more, over 24 simulated years; with care, so rather fewer."""
    rate = np.mean([alarms_a_month(learned, hours(100 + seed, WATCHED_H)) for seed in range(SERIES)])

    assert 0.1 < rate <= 1.2


def test_a_textbook_limit_rings_all_the_time() -> None:
    """Hourly, k 0.5 and h 5 in plain standard deviations: the first signal comes within days."""
    firsts = [
        cusum((hours(200 + seed, WATCHED_H) - MEAN) / SD, 0.0, allowance=0.5).first_signal(5.0) for seed in range(8)
    ]

    assert max(first for first in firsts if first is not None) < 730 / 2


def test_the_shift_is_seen_in_time(learned: MeasuredChart) -> None:
    """On average no later than the chart says, whose memory was taken with care."""
    delays = [learned.sums(hours(300 + seed, 2000) + 0.02).first_signal(learned.chart.limit) for seed in range(20)]
    known = [delay + 1 for delay in delays if delay is not None]

    assert len(known) == 20
    assert 1.0 < np.mean(known) <= learned.chart.delay


def test_missing_hours_are_left_out(learned: MeasuredChart) -> None:
    """A span with a missing hour is no mean."""
    values = hours(4, 24 * 10)
    values[5] = np.nan

    assert len(learned.sums(values).upper) == len(values) // learned.span - 1


def test_too_few_hours_are_refused() -> None:
    """A day says nothing of a memory of a day."""
    with pytest.raises(ValueError, match="so few values"):
        chart_of(np.cumsum(np.ones(24)), false_alarms=A_MONTH, shift=0.02)

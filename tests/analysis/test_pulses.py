"""Hours from minute rows, against a slow and obvious model in whole numbers."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.frames import Floats
from analysis.patience import FEWEST_INTERVALS, GAP_S, LONGEST_GAP_S, PATIENCE, USUAL_OF
from analysis.pulses import DayHours, day_window_ms, derive_day, usual_rate
from analysis.timeline import (
    DAY_S,
    GRID_MINUTES,
    LEAD_S,
    LOOK_BACK_S,
    SETTLE_S,
    WRAP_SLACK,
    MinuteFrame,
    timeline_of,
)
from daemon.loading.lines import Readings
from daemon.loading.sums import in_order, minute_rows
from daemon.store.reader import minute_frame

DAY = 20_000
START_MS = DAY * DAY_S * 1000
HOUR_MS = 3_600_000
Log = list[tuple[int, int, int]]
"""Readings: column, UTC epoch ms, count."""


def framed(log: Log) -> MinuteFrame:
    """The minute rows of a log, as the store keeps them."""
    if not log:
        return minute_frame(np.zeros((6, 0), dtype=np.int64))
    column, at_ms, counted = np.array(log, dtype=np.int64).T
    readings = Readings(column=column, at_ms=at_ms, counted=counted, uptime_ms=np.full(len(log), -1))
    rows = minute_rows(in_order(readings).readings, np.zeros(len(in_order(readings).readings), dtype=np.bool_))
    return minute_frame(
        np.stack(
            [rows.column, rows.minute * 60_000 + rows.at_ms, rows.counted, rows.span_ms, rows.pulses, rows.restart]
        )
    )


def derived(log: Log, *, meters: int = 1, bits: int = 32, usual_hz: float = np.nan, **more: object) -> DayHours:
    """The hours of DAY from a log, rows outside the day's window left out."""
    from_ms, to_ms = day_window_ms(DAY)
    inside = [reading for reading in log if from_ms <= reading[1] < to_ms]
    width, usual = np.full(meters, bits), np.full(meters, usual_hz)
    return derive_day(DAY, framed(inside), bits=width, usual_hz=usual, **more)  # type: ignore[arg-type]


def steady(rates_hz: list[float], *, every_s: int, from_s: float, to_s: float, first: int = 1000) -> Log:
    """Steady flow from one second of the day to another."""
    times = np.arange(from_s, to_s, every_s)
    return [
        (column, START_MS + round(second * 1000), first + int(rate * (second + DAY_S)))
        for second in times.tolist()
        for column, rate in enumerate(rates_hz)
    ]


@st.composite
def rough_logs(draw: st.DrawFn) -> tuple[Log, int, float]:
    """One meter with gaps, restarts and wraps, over some hours of the day; its bits and its usual rate."""
    bits = draw(st.sampled_from([16, 32]))
    rate = draw(st.sampled_from([10, 40, 100]))
    at_ms = START_MS + draw(st.integers(0, 20 * HOUR_MS))
    counted = draw(st.integers(0, 2**bits - 1))
    log = [(0, at_ms, counted)]
    for _reading in range(draw(st.integers(1, 60))):
        step_ms = draw(
            st.one_of(
                st.integers(900, 11_000),
                st.integers(55_000, 65_000),
                st.integers(200_000, 900_000),
                st.integers(900_000, 2_700_000),
            )
        )
        at_ms += step_ms
        restarted = draw(st.integers(0, 9)) == 0
        counted = draw(st.integers(0, 50)) if restarted else counted + step_ms * rate // 1000 + draw(st.integers(0, 9))
        counted %= 2**bits
        log.append((0, at_ms, counted))
    return log, bits, float(rate)


def slow_patience_ms(log: Log) -> float:
    """How long a meter may be silent after some readings, from what it did before."""
    rows: list[list[int]] = []
    for number, (_column, at_ms, counted) in enumerate(log):
        if number and at_ms // 60_000 == rows[-1][-1] // 60_000 and counted >= log[number - 1][2]:
            rows[-1].append(at_ms)
        else:
            rows.append([at_ms])
    starts = [(row[-1], after[0] - row[-1]) for row, after in itertools.pairwise(rows)][-USUAL_OF:]
    intervals = sorted(length for start, length in starts if start >= rows[-1][-1] - LOOK_BACK_S * 1000)
    if len(intervals) < FEWEST_INTERVALS:
        return GAP_S * 1000
    usual = intervals[(len(intervals) - 1) // 2]
    return min(max(PATIENCE * usual, GAP_S * 1000), LONGEST_GAP_S * 1000)


def slow_hours(log: Log, bits: int, usual_hz: float) -> tuple[list[float], list[float]]:
    """Pulses and seconds of each hour of DAY, interval by interval."""
    pulses, seconds = [0.0] * 24, [0.0] * 24
    rows = sorted(set(log))
    for number, ((_column, before_ms, before), (_column_too, after_ms, after)) in enumerate(itertools.pairwise(rows)):
        gap_ms = after_ms - before_ms
        counted = after - before
        at_most = 2 * usual_hz * gap_ms / 1000 + WRAP_SLACK
        same_row = before_ms // 60_000 == after_ms // 60_000 and counted >= 0
        if counted < 0 and counted + 2**bits <= at_most:
            counted += 2**bits
        if counted < 0 or gap_ms > slow_patience_ms(rows[: number + 1]) or (at_most > 2**bits and not same_row):
            continue
        for hour in range(24):
            start_ms = START_MS + hour * HOUR_MS
            inside_ms = min(after_ms, start_ms + HOUR_MS) - max(before_ms, start_ms)
            if inside_ms > 0:
                pulses[hour] += counted * inside_ms / gap_ms
                seconds[hour] += inside_ms / 1000
    return pulses, seconds


@settings(deadline=None, max_examples=150)
@given(rough_logs(), st.randoms(use_true_random=False))
def test_rough_logs_give_what_the_slow_model_gives(rough: tuple[Log, int, float], shuffle: object) -> None:
    """Gaps, restarts, wraps, doubled and shuffled lines: the same pulses and seconds in every hour."""
    log, bits, usual_hz = rough
    lines = [*log, *log[::3]]
    shuffle.shuffle(lines)  # type: ignore[attr-defined]
    # a second meter that never stands: of two, one alone cannot speak of a stopped pump
    beside = [
        (1, START_MS + second * 1000, (second + 1200) * 10 % 2**bits) for second in range(-1200, DAY_S + 1200, 300)
    ]
    hours = derived([*lines, *beside], meters=2, bits=bits, usual_hz=usual_hz)
    pulses, seconds = slow_hours(log, bits, usual_hz)
    np.testing.assert_allclose(hours.pulses[:, 0], pulses, rtol=1e-9, atol=2e-6)
    np.testing.assert_allclose(hours.seconds[:, 0], seconds, rtol=1e-9, atol=2e-6)


@settings(deadline=None, max_examples=25)
@given(st.integers(2, 600), st.integers(1, 200), st.integers(0, 59_999))
def test_no_pulse_is_lost_over_a_day(every_s: int, rate_hz: int, phase_ms: int) -> None:
    """Readings from before midnight to after the next: the day's pulses are the count's rise, to the pulse."""
    log = [
        (0, START_MS - 700_000 + phase_ms + step * every_s * 1000, 5 + step * every_s * rate_hz)
        for step in range((DAY_S + 1300) // every_s + 2)
    ]
    hours = derived(log, usual_hz=float(rate_hz))
    assert hours.seconds.sum() == pytest.approx(DAY_S, abs=1e-3)
    assert hours.pulses.sum() == pytest.approx(DAY_S * rate_hz, abs=0.01)


@pytest.mark.parametrize("every_s", [600, 900, 1200, 1800])
def test_a_slow_logger_loses_no_pulse(every_s: int) -> None:
    """A log of ten minutes to half an hour, lines up to a quarter of a minute off: a day right to the pulse.

    The days of before and after begin and end the same way, so nothing is lost or doubled at midnight.
    """
    random = np.random.default_rng(every_s)
    seconds = range(-LEAD_S - 4 * every_s, DAY_S + SETTLE_S + every_s, every_s)
    log = [(0, START_MS + second * 1000 + int(random.integers(-15_000, 15_000)), 0) for second in seconds]
    log = [(0, at_ms, 20 * (at_ms // 1000 - START_MS // 1000 + DAY_S)) for _, at_ms, _ in log]
    hours = derived(log, usual_hz=20.0)
    assert hours.seconds.sum() == pytest.approx(DAY_S, abs=1e-3)
    assert hours.pulses.sum() == pytest.approx(20 * DAY_S, abs=20)  # counts are of whole seconds


def test_a_slow_logger_may_lose_a_line_and_no_more() -> None:
    """Of a log of every ten minutes, a missing line is bridged and two are a gap; of one a minute, eleven are one."""
    slow = steady([20.0], every_s=600, from_s=-LEAD_S - 300, to_s=DAY_S + SETTLE_S)
    for lost, missing_s in ((1, 0), (2, 1800)):
        kept = [row for row in slow if not 36_000 < (row[1] - START_MS) / 1000 < 36_000 + 600 * (lost + 1)]
        assert derived(kept, usual_hz=20.0).seconds.sum() == pytest.approx(DAY_S - missing_s, abs=1e-3)
    quick = steady([20.0], every_s=60, from_s=-LEAD_S, to_s=DAY_S + SETTLE_S)
    kept = [row for row in quick if not 36_000 < (row[1] - START_MS) / 1000 < 36_660]
    assert derived(kept, usual_hz=20.0).seconds.sum() == pytest.approx(DAY_S - 660, abs=1e-3)


def test_an_hourly_log_says_nothing() -> None:
    """In an hour a pump may have stopped and started: its mean is no flow, however usual that is."""
    assert derived(steady([20.0], every_s=3600, from_s=-LEAD_S, to_s=DAY_S + 4000), usual_hz=20.0).seconds.sum() == 0


def test_midnight_is_seen_alike_from_both_days() -> None:
    """An interval across midnight counts in both days or in neither, whatever the log did in the hours before."""
    random = np.random.default_rng(8)
    for _case in range(200):
        steps = random.choice([300, 600, 900, 1500, 2000], size=60) + random.integers(-9, 10, 60)
        at_s = np.cumsum(steps) - int(random.integers(3, 50)) * 900
        log = [(0, START_MS + second * 1000, 20 * (second + DAY_S)) for second in at_s.tolist()]
        assert counts_across_midnight(log, DAY - 1) == counts_across_midnight(log, DAY)


def counts_across_midnight(log: Log, day: int) -> list[bool]:
    """Whether the interval across DAY's first moment counts, by the readings that a day's hours hang on."""
    from_ms, to_ms = day_window_ms(day)
    frame = framed([reading for reading in log if from_ms <= reading[1] < to_ms])
    found = timeline_of(frame, from_ms, np.array([32]), np.full((GRID_MINUTES, 1), 20.0))
    across = (frame.end_ms[:-1] < START_MS) & (frame.end_ms[1:] > START_MS)
    return [bool(valid) for valid in found.valid[across]]


def test_a_sixteen_bit_counter_that_wraps_loses_nothing() -> None:
    """At 80 pulses a second a 16-bit counter wraps every 14 minutes."""
    log = [
        (0, at_ms, counted % 65_536)
        for _column, at_ms, counted in steady([80], every_s=60, from_s=-600, to_s=DAY_S + 900)
    ]
    hours = derived(log, bits=16, usual_hz=80.0)
    assert hours.pulses.sum() == pytest.approx(80 * DAY_S, abs=0.01)


def test_a_sixteen_bit_counter_is_believed_only_within_one_round() -> None:
    """Over nine minutes at 80 pulses a second it may have gone round unseen: no rate from that."""
    log = [(0, START_MS + second * 1000, (80 * second) % 65_536) for second in (0, 60, 600, 660)]
    hours = derived(log, bits=16, usual_hz=80.0)
    assert hours.seconds[0, 0] == pytest.approx(120)
    assert hours.pulses[0, 0] == pytest.approx(120 * 80)


def test_a_restart_costs_its_interval_only() -> None:
    """What was counted before a restart is lost with its time, so that the rate stays right."""
    log = [(0, START_MS + second * 1000, 50_000 + 10 * second) for second in range(0, 1800, 60)]
    log += [(0, START_MS + second * 1000, 10 * (second - 1780)) for second in range(1800, 3600, 60)]
    hours = derived(log, usual_hz=10.0)
    assert hours.seconds[0, 0] == pytest.approx(3480)
    assert hours.pulses[0, 0] == pytest.approx(34_800)


def test_a_told_restart_is_believed_though_the_count_rose() -> None:
    """A device that says it restarted has counted an unknown number, even if it is above the one before."""
    frame = framed([(0, START_MS, 10), (0, START_MS + 60_000, 500), (0, START_MS + 120_000, 600)])
    frame.restart[1] = 1
    hours = derive_day(DAY, frame, bits=np.array([32]), usual_hz=np.array([2.0]))
    assert hours.pulses[0, 0] == pytest.approx(100)
    assert hours.seconds[0, 0] == pytest.approx(60)


def test_a_damaged_count_gives_no_rate() -> None:
    """A rise that no pulse meter could make is not counted."""
    log = [
        (0, START_MS, 100),
        (0, START_MS + 60_000, 4_000_000_000),
        (0, START_MS + 120_000, 300),
        (0, START_MS + 180_000, 400),
    ]
    hours = derived(log, usual_hz=2.0)
    assert hours.pulses[0, 0] == pytest.approx(100)


def paused(rates_hz: list[float], *, every_s: int, off_s: tuple[float, float], stuck: int | None = None) -> Log:
    """Two hours of flow with a stopped pump in between; the meter `stuck` runs on through it."""
    log, counts = [], [0.0] * len(rates_hz)
    for second in range(0, 7200, every_s):
        for column, rate in enumerate(rates_hz):
            log.append((column, START_MS + second * 1000, 1000 + int(counts[column])))
            stopped = max(0.0, min(second + every_s, off_s[1]) - max(second, off_s[0])) if column != stuck else 0.0
            counts[column] += rate * (every_s - stopped)
    return log


@pytest.mark.parametrize("every_s", [1, 10, 60])
def test_a_stopped_pump_is_recognised_and_left_out(every_s: int) -> None:
    """Ten minutes of stop: counted as off, neither edge spoils the rate."""
    hours = derived(paused([20, 40, 60], every_s=every_s, off_s=(4230, 4830)), meters=3)
    rate = hours.pulses[1] / hours.seconds[1]
    np.testing.assert_allclose(rate, [20, 40, 60], rtol=2e-3)
    assert 480 <= hours.off_s[1] <= 600
    assert hours.seconds[1, 0] <= 3600 - 600


def test_a_meter_that_turns_backward_does_not_hide_the_stop() -> None:
    """While the display drains through one branch, its meter counts on: the others tell."""
    hours = derived(paused([20, 40, 60], every_s=10, off_s=(4200, 4800), stuck=1), meters=3)
    assert hours.off_s[1] >= 480


def test_a_meter_that_goes_on_turning_shows_that_the_pump_runs() -> None:
    """Two of three counters that stand for most of an hour are dead counters: their flow reads zero."""
    hours = derived(paused([20, 40, 60], every_s=10, off_s=(3600, 6600), stuck=1), meters=3)
    assert 1800 <= hours.off_s[1] <= 1980
    assert hours.seconds[1, 1] >= 1500
    assert hours.pulses[1, 1] / hours.seconds[1, 1] == pytest.approx(40, rel=1e-3)
    assert hours.pulses[1, 0] / hours.seconds[1, 0] < 10


def test_of_two_meters_both_must_stand() -> None:
    """With two meters one that stands is a starved branch, not a stopped pump."""
    hours = derived(paused([20, 40], every_s=10, off_s=(4200, 4800), stuck=1), meters=2)
    assert hours.off_s.sum() == 0
    assert hours.pulses[1, 1] == pytest.approx(40 * 3600 - 400, rel=1e-3)


def test_one_stuck_meter_is_no_stopped_pump() -> None:
    """A meter that stays at its count reads zero flow while the others run."""
    log = steady([20, 0, 60], every_s=60, from_s=0, to_s=7200)
    hours = derived(log, meters=3, usual_hz=30.0)
    assert hours.off_s.sum() == 0
    assert hours.pulses[0, 1] == 0
    assert hours.seconds[0, 1] == pytest.approx(3600)


def test_a_journalled_pause_is_left_out_with_its_margins() -> None:
    """A pause that the meters do not show all the same says nothing of the flow."""
    log = steady([20, 40, 60], every_s=60, from_s=0, to_s=7260)
    pause = (START_MS + 4200_000, START_MS + 4800_000)
    hours = derived(log, meters=3, usual_hz=30.0, pauses_ms=[pause])
    assert hours.off_s[1] == 14 * 60  # ten minutes, and two on either side
    assert hours.seconds[1, 0] == pytest.approx(3600 - 16 * 60)


def test_a_power_cut_of_days_is_not_flow_of_zero() -> None:
    """With nothing usual to go by, a day of standing counts is a stopped pump all the same."""
    hours = derived(steady([0, 0, 0], every_s=60, from_s=0, to_s=DAY_S), meters=3)
    assert hours.seconds.sum() == 0
    assert hours.off_s[5] == 3600


@settings(deadline=None, max_examples=30)
@given(rough_logs(), st.integers(0, 24 * 3600))
def test_an_hour_hangs_on_nothing_later_than_settled(rough: tuple[Log, int, float], cut_s: int) -> None:
    """A log cut at any time gives the same hours up to SETTLE_S before the cut."""
    log, bits, _usual = rough
    settled = (cut_s - SETTLE_S) // 3600
    whole = derived(log, bits=bits)
    early = derived([reading for reading in log if reading[1] < START_MS + cut_s * 1000], bits=bits)
    for hour in range(max(settled, 0)):
        assert early.pulses[hour] == pytest.approx(whole.pulses[hour], abs=2e-6)
        assert early.off_s[hour] == whole.off_s[hour]


@pytest.mark.parametrize("cut_s", [5000, 6500, 30_000])
def test_a_first_day_with_pauses_is_causal(cut_s: int) -> None:
    """Without days before it, a day goes by its own past only: pauses near the cut change no settled hour."""
    log = paused([20, 40, 60], every_s=60, off_s=(3570, 4170))
    whole = derived(log, meters=3)
    early = derived([reading for reading in log if reading[1] < START_MS + cut_s * 1000], meters=3)
    settled = max((cut_s - SETTLE_S) // 3600, 0)
    np.testing.assert_allclose(early.pulses[:settled], whole.pulses[:settled], atol=2e-6)


def test_usual_is_the_median_of_the_days_that_say_something() -> None:
    """Days without a word are passed over; a meter without any day has nothing usual."""
    nan = np.nan
    daily: Floats = np.array([[10, nan, 1], [nan, nan, 2], [30, nan, 9], [11, nan, 3]])
    np.testing.assert_array_equal(usual_rate(daily), [11, nan, 2.5])


def test_a_day_without_rows_says_nothing() -> None:
    """No reading, no hour."""
    hours = derived([])
    assert hours.seconds.sum() == hours.off_s.sum() == 0
    assert np.isnan(hours.usual_hz).all()


@pytest.mark.parametrize("cut_s", [9 * 3600, 15 * 3600 + 137])
def test_an_hour_is_the_same_to_the_last_digit_whatever_follows(cut_s: int) -> None:
    """Fast meters count thousands a minute at odd moments; what they count later moves no digit of an earlier hour."""
    random = np.random.default_rng(3)
    log = [
        (column, START_MS + second * 1000 + int(random.integers(0, 997)), second * rate + 7 * column)
        for second in range(-1200, DAY_S + 1200, 61)
        for column, rate in enumerate([9311, 9717, 8953, 41])
    ]
    whole = derived(log, meters=4, usual_hz=9000.0)
    short = derived([row for row in log if row[1] < START_MS + cut_s * 1000], meters=4, usual_hz=9000.0)

    settled = (cut_s - SETTLE_S) // 3600
    assert (short.pulses[:settled] == whole.pulses[:settled]).all()
    assert (short.seconds[:settled] == whole.seconds[:settled]).all()

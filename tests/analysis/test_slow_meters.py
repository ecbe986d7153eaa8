"""Meters that are read every ten minutes, a quarter of an hour or half an hour: that is their pace, and no gap."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.timeline import DAY_S, SETTLE_S
from tests.analysis.test_pulses import START_MS, Log, derived, slow_hours

RATE_HZ = 7


def log_of(every_s: float, *, jitter_s: float = 0.0, lost: frozenset[int] = frozenset(), column: int = 0) -> Log:
    """A steady meter from five hours before the day to three after it, each reading a little off its time."""
    random = np.random.default_rng(1)
    at_s = np.arange(-5 * 3600, DAY_S + 3 * 3600, every_s)
    at_s = at_s + jitter_s * random.uniform(-1.0, 1.0, len(at_s))
    return [
        (column, START_MS + round(second * 1000), 10**7 + int(RATE_HZ * second))
        for number, second in enumerate(at_s.tolist())
        if number not in lost
    ]


@pytest.mark.parametrize(("every_s", "jitter_s"), [(600, 0), (600, 20), (900, 30), (1200, 0), (1440, 10), (1800, 0)])
def test_a_meters_own_pace_is_no_gap(every_s: float, jitter_s: float) -> None:
    """The whole day is known, to the pulse."""
    hours = derived(log_of(every_s, jitter_s=jitter_s), usual_hz=RATE_HZ)

    assert hours.seconds.sum() == pytest.approx(DAY_S, abs=1e-3)
    assert hours.pulses.sum() == pytest.approx(RATE_HZ * DAY_S, abs=2)
    assert hours.off_s.sum() == 0


def test_a_lost_line_is_no_gap_either() -> None:
    """Every quarter of an hour, and now and then half an hour: volume is in the count."""
    hours = derived(log_of(900, jitter_s=20, lost=frozenset({30, 41, 77})), usual_hz=RATE_HZ)

    assert hours.seconds.sum() == pytest.approx(DAY_S, abs=1e-3)
    assert hours.pulses.sum() == pytest.approx(RATE_HZ * DAY_S, abs=2)


@pytest.mark.parametrize(("every_s", "lines"), [(60, 11), (240, 4), (600, 4), (900, 3)])
def test_a_real_gap_is_one(every_s: int, lines: int) -> None:
    """Of many times the usual interval, or of more than an hour: nothing is known of it, and all else is."""
    first = (5 * 3600 + 8 * 3600) // every_s
    hours = derived(log_of(every_s, lost=frozenset(range(first, first + lines))), usual_hz=RATE_HZ)
    gap_s = (lines + 1) * every_s

    assert hours.seconds.sum() == pytest.approx(DAY_S - gap_s, abs=1e-3)
    assert hours.pulses.sum() == pytest.approx(RATE_HZ * (DAY_S - gap_s), abs=2)


def test_a_minute_logger_that_stutters_is_not_slow() -> None:
    """Two readings half an hour apart, amid minutes: both silences are gaps, for most of the intervals before are short."""
    quiet = [*range(1000, 1029), *range(1030, 1060)]
    hours = derived(log_of(60, lost=frozenset(quiet)), usual_hz=RATE_HZ)

    assert hours.seconds.sum() == pytest.approx(DAY_S - 60 * (len(quiet) + 2), abs=1e-3)


def test_each_meter_has_a_pace_of_its_own() -> None:
    """One read each minute, which falls silent for half an hour, beside one read each quarter of an hour."""
    fast = log_of(60, lost=frozenset(range(700, 729)))
    hours = derived([*fast, *log_of(900, column=1)], meters=2, usual_hz=RATE_HZ)

    assert hours.seconds.sum(axis=0) == pytest.approx([DAY_S - 1800, DAY_S], abs=1e-3)


def test_the_first_readings_of_all_are_believed_from_the_third_on() -> None:
    """Before there are two intervals nobody knows a meter's pace."""
    log = [reading for reading in log_of(900) if reading[1] >= START_MS + 6 * 3600_000]

    assert derived(log, usual_hz=RATE_HZ).seconds.sum() == pytest.approx(18 * 3600 - 2 * 900, abs=1e-3)


def paces(seed: int) -> Log:
    """Two meters whose pace changes, with a gap where it does."""
    random = np.random.default_rng(seed)
    log: Log = []
    for column in range(2):
        at_ms, counted = START_MS - int(random.integers(5, 7) * 3_600_000), 10**6
        while at_ms < START_MS + DAY_S * 1000 + 3 * 3_600_000:
            every_ms = 1000 * int(random.choice([120, 590, 610, 900, 1800, 3500]))
            for _ in range(int(random.integers(1, 24))):
                step_ms = every_ms + int(random.choice([0, 0, 700, -900]))
                at_ms, counted = at_ms + step_ms, counted + step_ms * RATE_HZ // 1000
                log.append((column, at_ms, counted))
    return log


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32), st.integers(0, 24 * 6 - 1))
def test_a_part_that_is_known_stays(seed: int, part: int) -> None:
    """Cut at the moment that a part of an hour is known, whatever the paces: the same part, to the last digit."""
    log = paces(seed)
    whole = derived(log, meters=2, usual_hz=RATE_HZ)
    known_s = whole.known_s.ravel()[part]
    moment_ms = START_MS + (part + 1) * 600_000 + int(known_s * 1000)

    cut = derived([reading for reading in log if reading[1] <= moment_ms], meters=2, usual_hz=RATE_HZ)

    assert known_s <= SETTLE_S
    for name in ("part_pulses", "part_seconds"):
        early, late = (getattr(day, name).reshape(-1, 2)[part] for day in (cut, whole))
        assert np.array_equal(early, late)
    assert cut.known_s.ravel()[part] <= known_s


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32), st.sampled_from([-8, 0, 8]))
def test_midnight_is_no_border(seed: int, later_h: int) -> None:
    """The slow model has the whole log before it, the day a few hours of it: they believe the same intervals."""
    log = [(0, at_ms + later_h * 3_600_000, counted) for column, at_ms, counted in paces(seed) if column == 0]

    hours = derived(log, usual_hz=RATE_HZ)

    pulses, seconds = slow_hours(log, 32, RATE_HZ)
    np.testing.assert_allclose(hours.seconds[:, 0], seconds, rtol=1e-9, atol=2e-6)
    np.testing.assert_allclose(hours.pulses[:, 0], pulses, rtol=1e-9, atol=2e-6)

"""Parts of an hour: they make up the hour, and are known as soon as nothing can change them."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from analysis import pulses
from analysis.patience import GAP_S
from analysis.pulses import PARTS
from analysis.timeline import SETTLE_S
from tests.analysis.test_pulses import DAY, START_MS, Log, derived, steady

PART_MS = 600_000


def several_meters(seed: int) -> Log:
    """Three meters of their own pace over three hours, with silences, restarts and stops of the pump."""
    random = np.random.default_rng(seed)
    starts = random.integers(0, 10**7, random.integers(0, 3))
    stops = [(start, start + random.integers(2, 25) * 60_000) for start in starts.tolist()]
    log: Log = []
    for column in range(3):
        pace_s = int(random.choice([10, 60, 240, 590, 900]))
        after_ms, counted, rate = int(random.integers(0, 60_000)), 1000, 5 + 3 * column
        for number in range(10_800 // pace_s):
            if random.random() < 0.03:
                after_ms += int(random.choice([400_000, 700_000, 1_500_000, 2_400_000]))
            if random.random() < 0.02:
                counted = 0
            stands = any(start <= after_ms < end for start, end in stops)
            counted += 0 if stands else rate * pace_s + number % 3
            after_ms += pace_s * 1000
            log.append((column, START_MS + after_ms, counted))
    return log


def test_parts_make_up_the_hour() -> None:
    """Pulses and seconds of the six parts add up to those of the hour."""
    day = derived(steady([10.0, 35.0], every_s=61, from_s=3000, to_s=20_000), meters=2)

    assert day.part_pulses.sum(axis=1) == pytest.approx(day.pulses, abs=1e-5)
    assert day.part_seconds.sum(axis=1) == pytest.approx(day.seconds, abs=1e-5)
    assert day.part_seconds.max() <= 600.0


def test_what_is_read_every_minute_is_known_in_minutes() -> None:
    """The interval across the end, the minute after it, and the reading after that: within four minutes."""
    day = derived(steady([10.0, 35.0], every_s=60, from_s=0, to_s=80_000), meters=2, usual_hz=10.0)

    assert day.known_s[2:20].max() <= 240
    assert day.known_s[2:20].min() >= 60


def test_a_silent_meter_is_waited_for_and_then_no_more() -> None:
    """Ten minutes after its last reading it is clear that the interval will not count."""
    heard = steady([10.0], every_s=60, from_s=0, to_s=80_000)
    silent = [(1, at_ms, counted) for _, at_ms, counted in steady([10.0], every_s=60, from_s=0, to_s=7_500)]
    day = derived([*heard, *silent], meters=2, usual_hz=10.0)

    known = day.known_s.ravel()
    last_part = 7_500 // 600
    over_s = 7_440 + GAP_S - 600 * (last_part + 1)  # after the part's end
    assert over_s <= known[last_part] <= over_s + 240
    assert known[last_part + 3 : 100].max() <= 240


def test_nothing_is_waited_for_longer_than_settling() -> None:
    """Whatever is missing."""
    assert derived(steady([10.0], every_s=590, from_s=0, to_s=60_000)).known_s.max() <= SETTLE_S


@settings(deadline=None, max_examples=120)
@given(st.integers(0, 2**32), st.integers(0, 3 * PARTS - 1))
@example(199842, 17)  # one goes silent across the end, and later nobody is heard
def test_a_known_part_hangs_on_nothing_later(seed: int, part: int) -> None:
    """The log cut at the moment that a part is known gives the same part, and knows it."""
    log = several_meters(seed)
    whole = derived(log, meters=3, usual_hz=10.0)
    known_s = whole.known_s.ravel()[part]
    moment_ms = START_MS + (part + 1) * PART_MS + int(known_s * 1000)

    cut = derived([reading for reading in log if reading[1] <= moment_ms], meters=3, usual_hz=10.0)

    assert np.array_equal(_flat(cut.part_pulses)[part], _flat(whole.part_pulses)[part])
    assert np.array_equal(_flat(cut.part_seconds)[part], _flat(whole.part_seconds)[part])
    assert cut.known_s.ravel()[part] <= known_s


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32))
def test_minutes_without_doubt_are_not_off(seed: int) -> None:
    """Looking at every minute of the day finds no stop that the doubtful ones alone do not show."""
    log = several_meters(seed)
    quick = derived(log, meters=3, usual_hz=10.0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pulses, "_doubtful_minutes", lambda _timeline, usual: np.arange(len(usual)))
        slow = derived(log, meters=3, usual_hz=10.0)

    assert np.array_equal(quick.off_s, slow.off_s)
    assert np.array_equal(quick.part_pulses, slow.part_pulses)


def _flat(parts: np.ndarray) -> np.ndarray:
    """Parts in a row."""
    return parts.reshape(24 * PARTS, -1)


def test_the_day_is_the_one_of_the_module() -> None:
    """The helper's day starts at midnight."""
    assert START_MS == DAY * 86_400_000

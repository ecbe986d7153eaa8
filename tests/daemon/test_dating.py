"""When a reading was taken: bursts, restarts, repeats, clocks that run wrong."""

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.dating import SETTLE_MS, Dater
from daemon.readings import Dated, LastReading, Reading

UTC_MS = 1_800_000_000_000
"""UTC less the monotonic clock."""


def reading(
    arrival_ms: int, uptime_ms: int | None, *, count: int | None = None, again: bool = False, meter: str = "M1"
) -> Reading:
    """A reading of a device that counts one pulse a second unless told otherwise."""
    return Reading(
        meter=meter,
        count=(uptime_ms or 0) // 1000 if count is None else count,
        uptime_ms=uptime_ms,
        arrival_ms=arrival_ms,
        again=again,
    )


def dated_at_once(dater: Dater, readings: Sequence[Reading], now_ms: int) -> list[Dated]:
    """Date without waiting for a backlog to settle."""
    return dater.date(readings, now_ms=now_ms, wall_minus_steady_ms=UTC_MS, settle=False)


def fresh_dater() -> Dater:
    """A dater that remembers nothing."""
    return Dater({}, wall_minus_steady_ms=UTC_MS)


def times_s(dated: Sequence[Dated]) -> list[float]:
    """Times on the monotonic clock."""
    return [(item.at_ms - UTC_MS) / 1000 for item in dated]


def test_backlog_is_spread_by_uptime() -> None:
    """Two hundred lines that arrive at once are dated a second apart, the last one now."""
    burst = [reading(500_000, uptime_s * 1000) for uptime_s in range(1, 201)]

    assert times_s(dated_at_once(fresh_dater(), burst, 500_000)) == [300.0 + uptime_s for uptime_s in range(1, 201)]


def test_first_readings_wait_until_a_backlog_is_in() -> None:
    """The first half of a backlog is held back until the second half has told when the device started."""
    dater = fresh_dater()
    first = [reading(500_000, uptime_s * 1000) for uptime_s in range(1, 101)]
    second = [reading(501_000, uptime_s * 1000) for uptime_s in range(101, 201)]

    assert dater.date(first, now_ms=500_000, wall_minus_steady_ms=UTC_MS) == []
    assert dater.date(second, now_ms=501_000, wall_minus_steady_ms=UTC_MS) == []
    dated = dater.date([], now_ms=501_000 + SETTLE_MS, wall_minus_steady_ms=UTC_MS)
    assert times_s(dated) == [301.0 + uptime_s for uptime_s in range(1, 201)]


def test_a_better_guess_of_the_start_puts_no_reading_back() -> None:
    """After a stall the first line comes late and alone; those behind it are dated after it, though it was guessed late."""
    dater = fresh_dater()
    dated_at_once(dater, [reading(1_000_000, 1_000_000)], 1_000_000)
    late = dated_at_once(dater, [reading(1_060_000, 1_001_000)], 1_060_000)
    prompt = [reading(1_061_000, uptime_s * 1000) for uptime_s in range(1002, 1062)]
    dated = [*late, *dated_at_once(dater, prompt, 1_061_000)]

    assert times_s(dated) == sorted(set(times_s(dated)))
    assert [item.steady_ms for item in dated] == [uptime_s * 1000 for uptime_s in range(1001, 1062)]
    assert times_s(dated)[-1] == 1061.0


def test_a_known_device_is_dated_through_an_outage() -> None:
    """After an outage, the first part of a backlog is dated right although the newest lines are still to come."""
    dater = fresh_dater()
    dated_at_once(dater, [reading(1_000_000, 1_000_000)], 1_000_000)
    late = [reading(1_600_000, uptime_s * 1000) for uptime_s in range(1001, 1301)]

    errors = [
        at_s - uptime_s
        for at_s, uptime_s in zip(times_s(dated_at_once(dater, late, 1_600_000)), range(1001, 1301), strict=True)
    ]
    assert max(errors) <= 60.0  # a tenth of the outage at the most, for a clock that may be a tenth wrong


def test_uptime_falling_back_is_a_restart() -> None:
    """The first reading after a restart says so, the next one does not."""
    dater = fresh_dater()
    dated_at_once(dater, [reading(900_000, 800_000)], 900_000)
    dated = dated_at_once(dater, [reading(905_000, 2_000), reading(906_000, 3_000)], 906_000)

    assert [item.restarted for item in dated] == [True, False]
    assert dater.restarts["M1"] == 1


def test_restart_inside_a_backlog_ends_the_stretch_before() -> None:
    """In a burst with a restart in it, what was before the restart is dated before the device started anew."""
    burst = [reading(2_000_000, uptime_s * 1000) for uptime_s in (500, 510, 520, 5, 15, 25)]
    dated = dated_at_once(fresh_dater(), burst, 2_000_000)

    assert [item.restarted for item in dated] == [False, False, False, True, False, False]
    assert times_s(dated) == [1955.0, 1965.0, 1975.0, 1980.0, 1990.0, 2000.0]


def test_restart_hidden_by_a_longer_uptime() -> None:
    """After a long gap a restarted device can show a larger uptime than before: it started after the last reading."""
    dater = fresh_dater()
    dated_at_once(dater, [reading(100_000, 50_000)], 100_000)

    assert dated_at_once(dater, [reading(10_000_000, 90_000)], 10_000_000)[0].restarted


def test_no_restart_over_a_long_gap() -> None:
    """A gap in which the device ran on is no restart."""
    dater = fresh_dater()
    dated_at_once(dater, [reading(100_000, 50_000)], 100_000)

    assert not dated_at_once(dater, [reading(10_000_000, 9_950_000)], 10_000_000)[0].restarted


def test_restart_between_two_runs_of_the_collector() -> None:
    """A restart is seen against the last reading that an earlier run stored."""
    last = LastReading(count=800, uptime_ms=800_000, at_ms=UTC_MS + 100_000)
    dater = Dater({"M1": last}, wall_minus_steady_ms=UTC_MS)

    assert dated_at_once(dater, [reading(400_000, 200_000)], 400_000)[0].restarted


def test_going_on_between_two_runs_of_the_collector() -> None:
    """A device that ran on while the collector was away has not restarted."""
    last = LastReading(count=800, uptime_ms=800_000, at_ms=UTC_MS + 100_000)
    dater = Dater({"M1": last}, wall_minus_steady_ms=UTC_MS)

    assert not dated_at_once(dater, [reading(400_000, 1_100_000)], 400_000)[0].restarted


def test_repeated_messages_are_dropped_and_counted() -> None:
    """What a broker sends again is known by uptime and count; what it marks as sent again but is new is kept."""
    dater = fresh_dater()
    dated_at_once(dater, [reading(100_000, 10_000), reading(101_000, 11_000)], 101_000)
    repeats = [reading(102_000, uptime_ms, again=True) for uptime_ms in (10_000, 11_000, 12_000)]

    assert [item.count for item in dated_at_once(dater, repeats, 102_000)] == [12]
    assert dater.doubled["M1"] == 2


def test_doubled_line_is_dropped() -> None:
    """A line sent twice in a row is one reading."""
    dated = dated_at_once(fresh_dater(), [reading(100_000, 10_000), reading(100_010, 10_000)], 100_010)
    assert len(dated) == 1


def test_without_uptime_the_arrival_counts() -> None:
    """A device that does not tell its uptime is dated by arrival, and never said to have restarted."""
    dated = dated_at_once(fresh_dater(), [reading(100_000, None, count=7), reading(101_000, None, count=3)], 101_000)

    assert [(item.at_ms - UTC_MS, item.steady_ms, item.restarted) for item in dated] == [
        (100_000, 100_000, False),
        (101_000, 101_000, False),
    ]


def test_backlog_without_uptime_is_one_reading() -> None:
    """Old messages that come at once and do not tell their uptime cannot be dated: only the newest count is kept."""
    dater = fresh_dater()
    burst = [reading(100_000 + number, None, count=number) for number in range(300)]

    assert dater.date(burst, now_ms=100_300, wall_minus_steady_ms=UTC_MS) == []
    dated = dater.date([], now_ms=100_600, wall_minus_steady_ms=UTC_MS)
    assert [item.count for item in dated] == [299]


def test_step_of_the_wall_clock_moves_only_the_utc_time() -> None:
    """A step of the wall clock by an hour leaves the device's own time and its start alone."""
    dater = fresh_dater()
    dated_at_once(dater, [reading(100_000, 10_000)], 100_000)
    dated = dater.date([reading(101_000, 11_000)], now_ms=101_000, wall_minus_steady_ms=UTC_MS + 3_600_000)

    assert [(item.at_ms, item.steady_ms, item.restarted) for item in dated] == [
        (UTC_MS + 3_701_000, 11_000, False),
    ]


@pytest.mark.parametrize("pace", [0.92, 0.999, 1.0, 1.001, 1.08])
def test_a_device_clock_that_runs_wrong_is_followed(pace: float) -> None:
    """Over a day, a clock up to 8 % wrong neither shifts the times by more than 2 s nor looks like a restart."""
    dater = fresh_dater()
    for minute in range(1, 1441):
        arrival_ms = 1_000_000 + minute * 60_000
        dated = dated_at_once(dater, [reading(arrival_ms, int(minute * 60_000 * pace))], arrival_ms)
        assert abs(dated[0].at_ms - UTC_MS - arrival_ms) <= 2_000
        assert not dated[0].restarted


@given(
    st.integers(0, 10_000_000),
    st.lists(st.tuples(st.integers(1, 20), st.integers(0, 30_000)), min_size=1, max_size=60),
)
def test_late_lines_are_never_dated_after_they_came(started_ms: int, steps: list[tuple[int, int]]) -> None:
    """Lines held up at random come out in order, a device second apart, none before it was sent or after it came."""
    sent_ms, arrivals, uptime_ms, line_ms = 0, [], 0, 0
    for step_s, late_ms in steps:
        uptime_ms += step_s * 1000
        sent_ms = started_ms + uptime_ms
        line_ms = max(line_ms, sent_ms + late_ms)
        arrivals.append(reading(line_ms, uptime_ms))
    dated = dated_at_once(fresh_dater(), arrivals, line_ms)

    least_late_ms = min(item.arrival_ms - started_ms - (item.uptime_ms or 0) for item in arrivals)
    assert [item.at_ms - UTC_MS - started_ms - item.steady_ms for item in dated] == [least_late_ms] * len(steps)

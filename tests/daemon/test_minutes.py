"""Minute rows as pure summaries of the readings that fall into the minute."""

import itertools

from hypothesis import given
from hypothesis import strategies as st

from daemon.minutes import MINUTE_MS, MinuteBook
from daemon.readings import Dated
from daemon.store.merging import MinuteRow

START_MS = 1_800_000_000_000 // MINUTE_MS * MINUTE_MS


def dated(at_s: float, count: int, *, restarted: bool = False, steady_s: float | None = None) -> Dated:
    """A reading so many seconds after the start of a minute."""
    return Dated(
        meter="M1",
        count=count,
        at_ms=START_MS + round(at_s * 1000),
        steady_ms=round((at_s if steady_s is None else steady_s) * 1000),
        restarted=restarted,
    )


def rows_of(*readings: Dated, bits: int = 32) -> list[MinuteRow]:
    """All rows that these readings give."""
    book = MinuteBook({"M1": (7, bits)})
    for reading in readings:
        book.add(reading)
    return book.take()


def test_a_minute_of_steady_pulses() -> None:
    """Sixty readings of 5 pulses a second are one row with every field as it should be."""
    row = rows_of(*(dated(second, 100 + 5 * second) for second in range(60)))

    assert row == [
        MinuteRow(
            minute=START_MS // MINUTE_MS,
            meter=7,
            part=0,
            counted=395,
            pulses=295,
            at_ms=59_000,
            span_ms=59_000,
            low_mhz=5000,
            high_mhz=5000,
            samples=60,
            restart=0,
        )
    ]


def test_a_single_reading_has_no_rate() -> None:
    """One reading gives a count and a time, no span and no rates."""
    (row,) = rows_of(dated(30, 12))
    assert (row.counted, row.pulses, row.span_ms, row.low_mhz, row.high_mhz, row.samples) == (12, 0, 0, None, None, 1)


def test_extremes_come_from_neighbours() -> None:
    """The lowest and highest rate are those between neighbouring readings."""
    (row,) = rows_of(dated(0, 0), dated(10, 100), dated(20, 120), dated(30, 240))
    assert (row.low_mhz, row.high_mhz) == (2_000, 12_000)


def test_readings_too_close_give_no_rate_of_their_own() -> None:
    """Two messages a few milliseconds apart do not make a rate of zero or of thousands."""
    (row,) = rows_of(dated(0, 0), dated(10, 100), dated(10.004, 100), dated(20, 200))
    assert (row.low_mhz, row.high_mhz, row.samples) == (10_000, 10_000, 4)


def test_a_known_restart_opens_a_part() -> None:
    """Inside one minute a restart ends a part and begins another, flagged."""
    rows = rows_of(dated(10, 500), dated(20, 510), dated(40, 3, restarted=True, steady_s=2), dated(50, 13, steady_s=12))
    assert [(row.part, row.counted, row.pulses, row.restart) for row in rows] == [(0, 510, 10, 0), (1, 13, 10, 1)]


def test_wrap_of_16_bits_inside_a_minute() -> None:
    """A 16-bit counter that wraps at a rate that it can have goes on in the same part."""
    (row,) = rows_of(dated(10, 65_500), dated(11, 44), bits=16)
    assert (row.counted, row.pulses, row.restart) == (44, 80, 0)


def test_wrap_of_32_bits_inside_a_minute() -> None:
    """A 32-bit counter that wraps goes on in the same part."""
    (row,) = rows_of(dated(10, 2**32 - 5), dated(11, 5))
    assert (row.counted, row.pulses) == (5, 10)


def test_count_falling_back_too_far_opens_a_part() -> None:
    """A count that falls back by more than any wrap allows begins a part, not known to be a restart."""
    rows = rows_of(dated(10, 20_000), dated(11, 4), bits=16)
    assert [(row.part, row.pulses, row.restart) for row in rows] == [(0, 0, 0), (1, 0, 0)]


def test_take_leaves_the_open_minute() -> None:
    """Only minutes that are over are taken; the rest stays and goes on."""
    book = MinuteBook({"M1": (7, 32)})
    for reading in (dated(59, 10), dated(61, 12)):
        book.add(reading)
    first = book.take(before_minute=START_MS // MINUTE_MS + 1)
    book.add(dated(62, 14))

    assert [row.counted for row in first] == [10]
    assert [(row.counted, row.samples) for row in book.take()] == [(14, 2)]


@given(
    st.integers(0, 2**32 - 1),
    st.lists(st.tuples(st.integers(500, 30_000), st.integers(0, 500)), min_size=1, max_size=50),
)
def test_rows_hold_every_pulse(first_count: int, steps: list[tuple[int, int]]) -> None:
    """Pulses inside the rows and between them add up to all that were counted, over a wrap too."""
    at_ms, total = 0, 0
    readings = [dated(0, first_count)]
    for step_ms, pulses in steps:
        at_ms, total = at_ms + step_ms, total + pulses
        readings.append(dated(at_ms / 1000, (first_count + total) % 2**32))
    rows = rows_of(*readings)

    between = sum((after.counted - after.pulses - row.counted) % 2**32 for row, after in itertools.pairwise(rows))
    assert sum(row.pulses for row in rows) + between == total
    assert sum(row.samples for row in rows) == len(readings)

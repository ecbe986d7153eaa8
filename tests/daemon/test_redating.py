"""Rows of the monotonic clock get their UTC times."""

import itertools

from hypothesis import given
from hypothesis import strategies as st

from daemon.redating import MINUTE_MS, Stretch, shifted, true_offsets
from daemon.store.merging import MinuteRow
from daemon.timekeeping import EARLIEST_MS

UTC_MS = EARLIEST_MS + 400 * 86_400_000


def single(minute: int, at_ms: int, counted: int, *, restart: int = 0, part: int = 0) -> MinuteRow:
    """A row of one reading."""
    return MinuteRow(minute, 1, part, counted, 0, at_ms, 0, None, None, 1, restart)


def stretch(anchor: int, boot: str, offset_ms: int, span_ms: tuple[int, int]) -> Stretch:
    """Rows without a date."""
    return Stretch(anchor=anchor, boot=boot, offset_ms=offset_ms, first_ms=span_ms[0], last_ms=span_ms[1])


def test_a_row_goes_to_the_minute_of_its_last_reading() -> None:
    """Its first readings may lie in the minute before; nothing else of it changes."""
    row = MinuteRow(5, 1, 0, 400, 100, 50_000, 45_000, 2000, 3000, 46, 0)

    assert shifted([row], 30_000) == [row._replace(minute=6, at_ms=20_000)]


def test_two_rows_that_come_to_lie_in_one_minute_are_joined() -> None:
    """The pulses between them are those that were between the rows."""
    (row,) = shifted([single(5, 59_000, 10), single(6, 5_000, 22)], 30_000)

    assert (row.minute, row.at_ms, row.span_ms, row.counted, row.pulses, row.samples) == (6, 35_000, 6_000, 22, 12, 2)


def test_a_restart_stays_a_restart() -> None:
    """A part that began with a restart is the first of its new minute, or a further part there, and still says so."""
    apart = shifted([single(5, 20_000, 900), single(5, 50_000, 3, restart=1, part=1)], 30_000)
    together = shifted([single(5, 59_000, 900), single(6, 2_000, 3, restart=1)], 10_000)

    assert [(row.minute, row.part, row.restart) for row in apart] == [(5, 0, 0), (6, 0, 1)]
    assert [(row.minute, row.part, row.restart) for row in together] == [(6, 0, 0), (6, 1, 1)]


@given(st.lists(st.integers(1, 200_000), min_size=1, max_size=40), st.integers(-(10**12), 10**12))
def test_every_reading_and_pulse_is_there_afterwards(steps_ms: list[int], offset_ms: int) -> None:
    """Whatever the shift: as many readings, as many pulses from the first to the last, every end moved alike."""
    times_ms = list(itertools.accumulate(steps_ms))
    merged = shifted([single(at_ms // MINUTE_MS, at_ms % MINUTE_MS, at_ms) for at_ms in times_ms], 0)
    moved = shifted(merged, offset_ms)

    assert sum(row.samples for row in moved) == len(times_ms)
    first, last = moved[0], moved[-1]
    assert first.minute * MINUTE_MS + first.first_ms - first.first_count == offset_ms
    assert last.minute * MINUTE_MS + last.at_ms - last.counted == offset_ms
    assert all(
        before.minute * MINUTE_MS + before.at_ms < after.minute * MINUTE_MS + after.first_ms
        for before, after in itertools.pairwise(moved)
    )


def test_all_of_this_boot_gets_its_offset() -> None:
    """However often the collector was started in it."""
    waiting = [stretch(1, "now", 5, (0, 100)), stretch(2, "now", 9, (200, 300))]

    assert true_offsets(waiting, boot="now", offset_ms=UTC_MS, dated_ms={}) == {1: UTC_MS, 2: UTC_MS}


def test_an_earlier_boot_stands_where_it_can_have_been() -> None:
    """Provisional dates that end before this boot began are the best there is."""
    waiting = [stretch(1, "before", UTC_MS - 900_000, (0, 600_000))]

    assert true_offsets(waiting, boot="now", offset_ms=UTC_MS, dated_ms={}) == {1: UTC_MS - 900_000}


def test_an_earlier_boot_with_a_clock_ahead_ends_before_this_one() -> None:
    """It cannot have lasted into this one."""
    waiting = [stretch(1, "before", UTC_MS + 900_000, (0, 600_000))]

    assert true_offsets(waiting, boot="now", offset_ms=UTC_MS, dated_ms={}) == {1: UTC_MS - 600_001}


def test_a_boot_in_1970_is_put_just_before_the_next() -> None:
    """Its own dates say nothing; two such boots stand one before the other."""
    waiting = [stretch(1, "a", 0, (0, 600_000)), stretch(2, "b", 0, (1_000, 50_000))]
    offsets = true_offsets(waiting, boot="now", offset_ms=UTC_MS, dated_ms={})

    assert offsets == {2: UTC_MS - 50_001, 1: UTC_MS - 49_002 - 600_000}


def test_an_earlier_boot_is_not_put_onto_dated_rows() -> None:
    """What was dated before it stays before it."""
    waiting = [stretch(1, "before", UTC_MS + 900_000, (0, 600_000))]
    offsets = true_offsets(waiting, boot="now", offset_ms=UTC_MS, dated_ms={1: UTC_MS - 300_000})

    assert offsets == {1: UTC_MS - 299_999}

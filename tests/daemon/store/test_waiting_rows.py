"""Rows that wait: bounded, thinned, counted."""

import itertools

from daemon.store.merging import MinuteRow
from daemon.store.waiting_rows import WaitingRows


def row(minute: int, *, meter: int = 1, restart: int = 0) -> MinuteRow:
    """A minute of a pulse a second."""
    return MinuteRow(minute, meter, 0, 60 * minute + 59, 59, 59_000, 59_000, 1000, 1000, 60, restart)


def test_no_more_than_the_bound_and_none_uncounted() -> None:
    """A thousand minutes into room for a hundred: what is kept and what was left out make a thousand."""
    waiting = WaitingRows(100)
    for minute in range(1000):
        waiting.add([row(minute)], anchor=0)

    assert len(waiting) <= 100
    assert len(waiting) + waiting.dropped == 1000


def test_thinning_costs_resolution_and_no_pulse() -> None:
    """The first row and the latest ones stay, and the pulses between rows are still the difference of their counts."""
    waiting = WaitingRows(100)
    for minute in range(150):
        waiting.add([row(minute)], anchor=0)
    kept = [kept for _anchor, kept in sorted(waiting)]

    assert [kept[0].minute, *(each.minute for each in kept[-40:])] == [0, *range(110, 150)]
    pulses = sum(each.pulses for each in kept)
    pulses += sum(after.first_count - before.counted for before, after in itertools.pairwise(kept))
    assert pulses == kept[-1].counted - kept[0].first_count == 150 * 60 - 1
    assert max(after.minute - before.minute for before, after in itertools.pairwise(kept)) <= 8


def test_a_restart_is_not_thinned_out() -> None:
    """The row that tells of it stays, or the pulses across it would look known."""
    waiting = WaitingRows(10)
    for minute in range(40):
        waiting.add([row(minute, restart=int(minute == 1))], anchor=0)

    assert 1 in {kept.minute for _anchor, kept in waiting}


def test_restarts_alone_are_bounded_too() -> None:
    """If nothing can be thinned out, the oldest go."""
    waiting = WaitingRows(10)
    for minute in range(40):
        waiting.add([row(minute, restart=1)], anchor=0)

    assert sorted(kept.minute for _anchor, kept in waiting) == list(range(30, 40))
    assert waiting.dropped == 30

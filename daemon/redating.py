"""Rows that were counted on the monotonic clock get their UTC times: pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from daemon.store.merging import MinuteRow, merge_parts
from daemon.timekeeping import EARLIEST_MS

MINUTE_MS = 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Rows without a date, under one anchor.

    Attributes:
        anchor: its number; boot: the boot that it belongs to.
        offset_ms: its provisional offset.
        first_ms, last_ms: from the first to the last reading, on the monotonic clock of the boot.
    """

    anchor: int
    boot: str
    offset_ms: int
    first_ms: int
    last_ms: int


def shifted(rows: Iterable[MinuteRow], offset_ms: int) -> list[MinuteRow]:
    """Rows with their times moved, in key order.

    A row goes to the minute of its last reading; its first ones may lie before that minute. Rows that come to lie in
    one minute become one, as if they had been written there one after the other.

    Args:
        rows: in order of time for each meter.
        offset_ms: what to add to their times.
    """
    moved: dict[tuple[int, int], tuple[MinuteRow, ...]] = {}
    for row in rows:
        minute, at_ms = divmod(row.minute * MINUTE_MS + row.at_ms + offset_ms, MINUTE_MS)
        fresh = (row._replace(minute=minute, at_ms=at_ms, part=0),)
        key = (minute, row.meter)
        moved[key] = merge_parts(moved[key], fresh) if key in moved else fresh
    return [part for _, parts in sorted(moved.items()) for part in parts]


def true_offsets(
    stretches: Sequence[Stretch], *, boot: str, offset_ms: int, dated_ms: Mapping[int, int]
) -> dict[int, int]:
    """The offset of every stretch, now that the clock of this boot is known.

    Those of this boot get its offset. An earlier boot ended before the next one started, and its clock can only be
    bounded: its provisional dates stand if they end by then, and are moved back to end just then if they do not, or if
    its clock was plainly wrong; but not so far back that they fall on rows that were dated before (`room_ms` says what
    room they need).

    Args:
        stretches: all without a known date, oldest first.
        boot: this boot.
        offset_ms: UTC epoch ms less its monotonic clock.
        dated_ms: UTC epoch ms of the last dated reading before a stretch, by anchor, where there is one.

    Returns:
        By anchor.
    """
    offsets = {stretch.anchor: offset_ms for stretch in stretches if stretch.boot == boot}
    before_ms = min([offset_ms, *(stretch.first_ms + offset_ms for stretch in stretches if stretch.boot == boot)])
    earlier = [stretch for stretch in stretches if stretch.boot != boot]
    for stretch in reversed(earlier):
        latest_ms = before_ms - 1 - stretch.last_ms
        wrong = stretch.first_ms + stretch.offset_ms < EARLIEST_MS
        offsets[stretch.anchor] = latest_ms if wrong else min(stretch.offset_ms, latest_ms)
        before_ms = stretch.first_ms + offsets[stretch.anchor]
    after_ms: int | None = None
    for stretch in earlier:
        bounds = [at_ms for at_ms in (after_ms, dated_ms.get(stretch.anchor)) if at_ms is not None]
        least_ms = max(bounds, default=None)
        if least_ms is not None:
            offsets[stretch.anchor] = max(offsets[stretch.anchor], least_ms + 1 - stretch.first_ms)
        after_ms = stretch.last_ms + offsets[stretch.anchor]
    return offsets


def room_ms(stretches: Iterable[Stretch], *, boot: str) -> int:
    """How much time the rows of earlier boots take up, which must find room before those of this one."""
    return sum(stretch.last_ms + 1 - stretch.first_ms for stretch in stretches if stretch.boot != boot)

"""Minute rows and how two sums of one minute become one: pure, and the same whatever the order they come in."""

import itertools
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple


class MinuteRow(NamedTuple):
    """A row of the table `minute` (fields: daemon.store.schema); `counted` is its column `count`."""

    minute: int
    meter: int
    part: int
    counted: int
    pulses: int
    at_ms: int
    span_ms: int
    low_mhz: int | None
    high_mhz: int | None
    samples: int
    restart: int

    @property
    def first_ms(self) -> int:
        """Time of the first reading, ms after the start of the minute."""
        return self.at_ms - self.span_ms

    @property
    def first_count(self) -> int:
        """Count of the first reading; negative if the counter wrapped inside the part."""
        return self.counted - self.pulses


def rate_mhz(pulses: int, span_ms: int) -> int:
    """Rate in thousandths of a pulse a second, to the nearest, halves up; `span_ms` > 0."""
    return (2 * pulses * 1_000_000 + span_ms) // (2 * span_ms)


def merge_parts(stored: Sequence[MinuteRow], fresh: Sequence[MinuteRow]) -> tuple[MinuteRow, ...]:
    """Merge two sums of readings of one meter's minute.

    The same readings change nothing. Readings that follow each other are joined. Where they interleave, the joint
    row reaches from the earliest reading to the latest, so that no volume is lost, and counts the samples of the
    larger sum. Sums that contradict each other cannot be joined: the one with more samples stands.

    Args:
        stored: parts of one (minute, meter), in order of part.
        fresh: parts of the same (minute, meter).

    Returns:
        The merged parts, numbered from 0.
    """
    parts = _without_repeats([*stored, *fresh])
    if all(before.at_ms < after.first_ms for before, after in itertools.pairwise(parts)):
        return _numbered(_joined(parts))
    if len(stored) == len(fresh) == 1:
        union = _union(*parts)
        if union is not None:
            return _numbered([union])
    heavier = max(tuple(stored), tuple(fresh), key=_weight)
    return _numbered(heavier)


def _without_repeats(parts: Iterable[MinuteRow]) -> list[MinuteRow]:
    """Parts in order of time; those of equal readings once, with the restart if either knows of it."""
    kept: dict[tuple[int | None, ...], MinuteRow] = {}
    for part in parts:
        readings = (*part[3:10],)
        twin = kept.get(readings)
        restart = part.restart if twin is None else max(part.restart, twin.restart)
        kept[readings] = part._replace(restart=restart)
    return sorted(kept.values(), key=lambda part: (part.first_ms, part.at_ms, part.counted))


def _joined(parts: Sequence[MinuteRow]) -> list[MinuteRow]:
    """Parts that follow each other, joined where the counter ran on."""
    joined = [parts[0]]
    for after in parts[1:]:
        before = joined[-1]
        if after.restart or after.first_count < before.counted:
            joined.append(after)
            continue
        across = after.first_count - before.counted
        across_mhz = rate_mhz(across, after.first_ms - before.at_ms)
        joined[-1] = before._replace(
            counted=after.counted,
            pulses=before.pulses + across + after.pulses,
            at_ms=after.at_ms,
            span_ms=after.at_ms - before.first_ms,
            low_mhz=_extreme(min, before.low_mhz, after.low_mhz, across_mhz),
            high_mhz=_extreme(max, before.high_mhz, after.high_mhz, across_mhz),
            samples=before.samples + after.samples,
        )
    return joined


def _union(one: MinuteRow, other: MinuteRow) -> MinuteRow | None:
    """From the earliest to the latest reading of two overlapping parts; None if they contradict each other."""
    if one.first_ms == other.first_ms and one.first_count != other.first_count:
        return None
    if one.at_ms == other.at_ms and one.counted != other.counted:
        return None
    first = min(one, other, key=lambda part: part.first_ms)
    last = max(one, other, key=lambda part: part.at_ms)
    if min(one.first_count, other.first_count) < first.first_count or max(one.counted, other.counted) > last.counted:
        return None
    restart = max(one.restart, other.restart) if one.first_ms == other.first_ms else first.restart
    return first._replace(
        counted=last.counted,
        pulses=last.counted - first.first_count,
        at_ms=last.at_ms,
        span_ms=last.at_ms - first.first_ms,
        low_mhz=_extreme(min, one.low_mhz, other.low_mhz),
        high_mhz=_extreme(max, one.high_mhz, other.high_mhz),
        samples=max(one.samples, other.samples),
        restart=restart,
    )


def _extreme(choose: Callable[[Iterable[int]], int], *rates: int | None) -> int | None:
    """The lowest or highest of the rates that are known."""
    known = [rate for rate in rates if rate is not None]
    return choose(known) if known else None


def _weight(parts: tuple[MinuteRow, ...]) -> tuple[int, int, list[tuple[int, ...]]]:
    """Which of two contradicting sums stands: more samples, then a longer span, then whatever differs."""
    samples = sum(part.samples for part in parts)
    span_ms = parts[-1].at_ms - parts[0].first_ms
    return samples, span_ms, [tuple(-1 if value is None else value for value in part) for part in parts]


def _numbered(parts: Iterable[MinuteRow]) -> tuple[MinuteRow, ...]:
    """Parts numbered from 0."""
    return tuple(part._replace(part=number) for number, part in enumerate(parts))

"""Readings into minute rows: a row is a pure summary of the readings of one meter in one minute."""

from collections.abc import Mapping
from dataclasses import dataclass

from daemon.readings import Dated
from daemon.store.merging import MinuteRow, rate_mhz

MINUTE_MS = 60_000
NEIGHBOUR_MS = 500
"""Readings closer than this are too close for a rate; the next one is compared with the first of them."""
MOST_HZ = 5_000
"""No pulse meter turns faster; a count that falls back further than this allows has begun anew."""


@dataclass(slots=True, kw_only=True)
class _Part:
    """A row still growing: its fields, the last reading's steady time, and the reading that rates are taken from."""

    count: int
    at_ms: int
    steady_ms: int
    mark_count: int
    mark_ms: int
    restart: bool
    pulses: int = 0
    span_ms: int = 0
    low_mhz: int | None = None
    high_mhz: int | None = None
    samples: int = 1


class MinuteBook:
    """Gathers dated readings into rows until they are taken.

    Args:
        meters: (number in the database, width of the counter in bits) by meter.
    """

    def __init__(self, meters: Mapping[str, tuple[int, int]]) -> None:
        self._meters = {name: (number, 1 << bits) for name, (number, bits) in meters.items()}
        self._open: dict[tuple[int, int], list[_Part]] = {}

    def add(self, reading: Dated) -> None:
        """Put one reading into the row of its minute; a restart opens a further part."""
        number, modulus = self._meters[reading.meter]
        parts = self._open.setdefault((reading.at_ms // MINUTE_MS, number), [])
        if not parts or reading.restarted or not _continues(parts[-1], reading, modulus):
            parts.append(_opened(reading))
        else:
            _extend(parts[-1], reading, modulus)

    def take(self, *, before_minute: int | None = None) -> list[MinuteRow]:
        """Remove and return the rows of all minutes before this one (all rows without it), in key order."""
        keys = sorted(key for key in self._open if before_minute is None or key[0] < before_minute)
        return [_row(key, number, part) for key in keys for number, part in enumerate(self._open.pop(key))]


def _opened(reading: Dated) -> _Part:
    """A part of one reading."""
    return _Part(
        count=reading.count,
        at_ms=reading.at_ms % MINUTE_MS,
        steady_ms=reading.steady_ms,
        mark_count=reading.count,
        mark_ms=reading.steady_ms,
        restart=reading.restarted,
    )


def _continues(part: _Part, reading: Dated, modulus: int) -> bool:
    """Whether a count goes on from the last one: not fallen back, or by a wrap that the time allows."""
    elapsed_ms = reading.steady_ms - part.steady_ms
    if elapsed_ms < 0:
        return False
    if reading.count >= part.count:
        return True
    return (reading.count - part.count) % modulus * 1000 <= MOST_HZ * max(elapsed_ms, 1000)


def _extend(part: _Part, reading: Dated, modulus: int) -> None:
    """Let a part reach to one more reading."""
    part.pulses += (reading.count - part.count) % modulus
    part.span_ms += reading.steady_ms - part.steady_ms
    part.count, part.at_ms, part.steady_ms = reading.count, reading.at_ms % MINUTE_MS, reading.steady_ms
    part.samples += 1
    since_ms = reading.steady_ms - part.mark_ms
    if since_ms < NEIGHBOUR_MS:
        return
    rate = rate_mhz((reading.count - part.mark_count) % modulus, since_ms)
    part.low_mhz = rate if part.low_mhz is None else min(part.low_mhz, rate)
    part.high_mhz = rate if part.high_mhz is None else max(part.high_mhz, rate)
    part.mark_ms, part.mark_count = reading.steady_ms, reading.count


def _row(key: tuple[int, int], number: int, part: _Part) -> MinuteRow:
    """The row as stored."""
    return MinuteRow(
        minute=key[0],
        meter=key[1],
        part=number,
        counted=part.count,
        pulses=part.pulses,
        at_ms=part.at_ms,
        span_ms=part.span_ms,
        low_mhz=part.low_mhz,
        high_mhz=part.high_mhz,
        samples=part.samples,
        restart=int(part.restart),
    )

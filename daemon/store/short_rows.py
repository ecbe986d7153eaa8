"""Minute rows as they are stored: numbers that are small, as SQLite gives small numbers fewer bytes.

A minute of a meter that speaks every second ends a second before the minute does, begins a second after it, and its
lowest and highest rates are close to its mean. As differences these are two bytes each in place of three: 34 bytes a
row in place of 38. The table reads them back as what they mean (daemon.store.schema). Standard library only.
"""

from daemon.store.keys import row_key
from daemon.store.merging import MinuteRow

MINUTE_MS = 60_000
INTO = "INSERT INTO minute (slot, count, pulses, rest_ms, first_ms, below_mhz, above_mhz, samples, restart) VALUES "
ROW = "(?, ?, ?, ?, ?, ?, ?, ?, ?)"

ShortRow = tuple[int, int, int, int, int | None, int | None, int | None, int, int]


def short_row(row: MinuteRow) -> ShortRow:
    """A row as the values of INTO."""
    mean_mhz = mean_rate_mhz(row.pulses, row.span_ms)
    return (
        row_key(row.minute, row.meter, row.part),
        row.counted,
        row.pulses,
        MINUTE_MS - row.at_ms,
        row.first_ms if row.span_ms else None,
        None if row.low_mhz is None else mean_mhz - row.low_mhz,
        None if row.high_mhz is None else row.high_mhz - mean_mhz,
        row.samples,
        row.restart,
    )


def mean_rate_mhz(pulses: int, span_ms: int) -> int:
    """What the lowest and highest rates are counted from, thousandths of a pulse a second; rounded down, as SQL does."""
    return pulses * 1_000_000 // max(span_ms, 1)

"""Minutes of gauges as rows: mean, spread and number of their values, and how two rows of one minute become one. Pure.

The key of a row, `slot`, is minute and gauge in one number, so that the rows of a minute lie side by side, whatever the
number of gauges, and the table is only ever appended to (daemon.store.keys).
"""

import math
from collections.abc import Iterable, Iterator
from typing import NamedTuple

GAUGE_BITS = 10
GAUGES_MOST = 1 << GAUGE_BITS
MOST_ROWS = 10_000
"""A week of one gauge, half a day of a dozen."""


class GaugeRow(NamedTuple):
    """A minute of a gauge, in the unit of its values.

    Attributes:
        minute: UTC epoch minute, or of the monotonic clock while the time is not known.
        gauge: its number in the database.
        sd: standard deviation of the values, None of a single one.
        samples: how many values.
    """

    minute: int
    gauge: int
    mean: float
    sd: float | None
    samples: int


def slot_of(minute: int, gauge: int) -> int:
    """The key of a row."""
    return (minute << GAUGE_BITS) + gauge


def joined(one: GaugeRow, other: GaugeRow) -> GaugeRow:
    """A row of all values of two rows of one minute, which have none in common."""
    samples = one.samples + other.samples
    apart = other.mean - one.mean
    squares = _squares(one) + _squares(other) + apart**2 * one.samples * other.samples / samples
    mean = one.mean + apart * other.samples / samples
    return one._replace(mean=mean, sd=math.sqrt(squares / (samples - 1)), samples=samples)


def _squares(row: GaugeRow) -> float:
    """Sum of the squares of the departures from the mean."""
    return 0.0 if row.sd is None else row.sd**2 * (row.samples - 1)


class WaitingGauges:
    """Rows that wait for the database, by anchor, minute and gauge; bounded.

    Attributes:
        dropped: rows left out because there were too many, every second minute of the older half at once.
    """

    def __init__(self, most: int = MOST_ROWS) -> None:
        self._most = most
        self._rows: dict[tuple[int, int, int], GaugeRow] = {}
        self.dropped = 0

    def __len__(self) -> int:
        return len(self._rows)

    def __iter__(self) -> Iterator[tuple[int, GaugeRow]]:
        """(anchor, row), in order."""
        return ((anchor, row) for (anchor, _, _), row in sorted(self._rows.items()))

    def add(self, rows: Iterable[GaugeRow], *, anchor: int) -> None:
        """Take rows in, those of a minute that waits already joined with it."""
        for row in rows:
            key = (anchor, row.minute, row.gauge)
            self._rows[key] = joined(self._rows[key], row) if key in self._rows else row
        if len(self._rows) > self._most:
            minutes = sorted({key[:2] for key in self._rows})
            gone = set(minutes[1 : len(minutes) // 2 : 2])
            self.dropped += sum(key[:2] in gone for key in self._rows)
            self._rows = {key: row for key, row in self._rows.items() if key[:2] not in gone}

    def clear(self) -> None:
        """They are written."""
        self._rows.clear()

"""Minute rows that wait for the database: bounded, and when there are too many, thinned rather than cut off. Pure.

Counts are cumulative, so a row that is left out costs resolution: the pulses around it are the difference of the rows
that stay.
"""

import itertools
from collections.abc import Iterable, Iterator

from daemon.store.merging import MinuteRow, merge_parts

MOST_ROWS = 30_000
"""A day of 20 meters; 17 MB."""

Key = tuple[int, int, int]
"""Anchor (0 for rows in UTC), minute, meter."""


class WaitingRows:
    """Rows by anchor, minute and meter.

    Attributes:
        dropped: rows left out because there were too many.

    Args:
        most: how many (minute, meter) are kept.
    """

    def __init__(self, most: int = MOST_ROWS) -> None:
        self._most = most
        self._rows: dict[Key, tuple[MinuteRow, ...]] = {}
        self.dropped = 0

    def __len__(self) -> int:
        return sum(len(parts) for parts in self._rows.values())

    def __iter__(self) -> Iterator[tuple[int, MinuteRow]]:
        """(anchor, row), in no order."""
        return ((key[0], row) for key, parts in self._rows.items() for row in parts)

    def add(self, rows: Iterable[MinuteRow], *, anchor: int) -> None:
        """Take rows in, those of a minute that waits already merged with it; `rows` are in key order."""
        for key, group in itertools.groupby(rows, key=lambda row: (anchor, row.minute, row.meter)):
            fresh = tuple(group)
            self._rows[key] = merge_parts(self._rows[key], fresh) if key in self._rows else fresh
        if len(self._rows) > self._most:
            self._thin()

    def clear(self) -> None:
        """They are written."""
        self._rows.clear()

    def _thin(self) -> None:
        """Leave out every second minute of the older half; rows that tell of a restart stay while that is enough."""
        minutes = sorted({key[:2] for key in self._rows})
        odd = set(minutes[1 : len(minutes) // 2 : 2])
        self._drop(
            key for key, parts in self._rows.items() if key[:2] in odd and not any(part.restart for part in parts)
        )
        if len(self._rows) > self._most:
            self._drop(sorted(self._rows)[: len(self._rows) - self._most])

    def _drop(self, keys: Iterable[Key]) -> None:
        """Leave rows out, and count them."""
        for key in list(keys):
            self.dropped += len(self._rows.pop(key))

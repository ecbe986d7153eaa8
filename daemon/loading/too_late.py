"""Readings of a file that come too late: the minutes of their hour were dropped, and the hour knows more than they do."""

import sqlite3
from collections.abc import Collection, Sequence

import numpy as np

from analysis.frames import Ints
from daemon.loading.sums import MinuteRows
from daemon.store.blocks import MINUTES
from daemon.store.dropped_days import dropped_days
from daemon.store.writer import MINUTES_PER_DAY


class LateHours:
    """Counts the readings of one file by hour and meter, on days whose minutes were dropped and those beside them."""

    def __init__(self, connection: sqlite3.Connection, ids: Sequence[int]) -> None:
        """`ids`: [M] numbers of the meters in the database, in column order."""
        days = np.array(dropped_days(connection), dtype=np.int64)
        self._days: Ints = np.unique(np.concatenate([days - 1, days, days + 1]))
        self._ids = tuple(ids)
        self._readings: dict[tuple[int, int], int] = {}

    def count(self, rows: MinuteRows) -> None:
        """Count the readings of rows."""
        if not len(self._days):
            return
        which = np.flatnonzero(np.isin(rows.minute // MINUTES_PER_DAY, self._days))
        sides = (rows.minute[which] // MINUTES, rows.column[which], rows.samples[which])
        for hour, column, samples in zip(*(side.tolist() for side in sides), strict=True):
            pair = (hour, self._ids[column])
            self._readings[pair] = self._readings.get(pair, 0) + samples

    def within(self, outlived: Collection[tuple[int, int]]) -> int:
        """How many readings lie in some hours, each (UTC epoch hour, number of the meter)."""
        return sum(readings for pair, readings in self._readings.items() if pair in outlived)

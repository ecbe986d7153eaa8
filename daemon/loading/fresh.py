"""Days that hold nothing but what a load brings: their hours are derived from memory, without reading it back."""

import sqlite3
from collections.abc import Sequence

import numpy as np

from analysis.frames import Ints
from analysis.pulses import day_window_ms
from daemon.loading.lines import MINUTE_MS
from daemon.loading.sums import MinuteRows
from daemon.store.bulk import days_of
from daemon.store.hours import Deriver, KeptHours, holds_readings, read_day, refresh_day
from daemon.store.reader import minute_frame


class FreshDays:
    """Keeps the minute rows of the days that are being loaded, until their hours can be derived.

    A day that this cannot vouch for, because the database holds more of it, keeps its mark and is left to
    daemon.store.hours.refresh_hours.
    """

    def __init__(self, connection: sqlite3.Connection, deriver: Deriver, kept: KeptHours) -> None:
        """`kept` is given the hours of the derived days that stayed as they were."""
        self._connection = connection
        self._kept = kept
        self._deriver = deriver
        self._version: int | None = None
        self._fresh: dict[int, bool] = {}
        self._waiting: set[int] = set()
        self._touched: set[int] = set()
        self._rows: list[Ints] = []  # of _table, each

    def before_insert(self, rows: MinuteRows) -> None:
        """Look what the database holds of the days that rows will touch; inside the transaction that stores them."""
        self._notice_others()
        touched = days_of(rows.minute)
        self._touched.update(touched)
        for day in {day + by for day in touched for by in (-1, 0, 1)} - self._fresh.keys():
            self._fresh[day] = not self._holds_any(day)
        self._waiting |= {day for day in touched if self._fresh[day]}

    def after_insert(self, rows: MinuteRows, *, free: bool) -> None:
        """Take over rows that were stored; `free` tells whether none of them was merged with another."""
        if not free:
            for day in days_of(rows.minute):
                for near in (day - 1, day, day + 1):
                    self._distrust(near)
        self._rows.append(_table(rows))

    def derive(self, sealed_minute: int | None) -> None:
        """Derive the days for which no row can be missing if all before `sealed_minute` are in; all of them without it.

        A row that comes later all the same marks its day anew.
        """
        over = sorted(day for day, fresh in self._fresh.items() if fresh and _is_over(day, sealed_minute))
        ripe = [day for day in over if day in self._waiting]
        if ripe:
            self._derive_days(ripe)
        for day in over:
            self._distrust(day)
        if not any(self._fresh.values()):
            self._rows.clear()

    def _derive_days(self, ripe: Sequence[int]) -> None:
        """Derive some days, ascending, and let go of the rows that no later day needs."""
        table = _joined(self._rows)
        minute = table[1] // MINUTE_MS
        if not (minute[1:] >= minute[:-1]).all():
            order = np.argsort(minute, kind="stable")
            table, minute = table[:, order], minute[order]
        for day in ripe:
            self._derive_seam(day)
            first, last = np.searchsorted(minute, [at_ms // MINUTE_MS for at_ms in day_window_ms(day)])
            frame = minute_frame(table[:, first:last])
            self._kept[day] = refresh_day(self._connection, self._deriver, day, frame)
        rest = np.searchsorted(minute, day_window_ms(ripe[-1] + 1)[0] // MINUTE_MS)
        self._rows = [table[:, rest:].copy()]

    def _derive_seam(self, day: int) -> None:
        """Where the days of another log ended just before this one: derive the two at the seam, which it reads back.

        Later they would change what is usual, and with it this day and those after it.
        """
        seam = (day - 2, day - 1)
        marked = self._connection.execute("SELECT day FROM stale_day WHERE day BETWEEN ? AND ?", seam).fetchall()
        if day - 1 in self._touched and marked == [(day - 1,)]:
            for before in seam:
                frame = read_day(self._connection, self._deriver, before)
                self._kept[before] = refresh_day(self._connection, self._deriver, before, frame)

    def _notice_others(self) -> None:
        """If another connection wrote meanwhile, nobody knows into which of the days."""
        (version,) = self._connection.execute("PRAGMA data_version").fetchone()
        if self._version not in {None, version}:
            for day in self._fresh:
                self._distrust(day)
            self._rows.clear()
        self._version = version

    def _distrust(self, day: int) -> None:
        """Leave the day to others."""
        self._fresh[day] = False
        self._waiting.discard(day)

    def _holds_any(self, day: int) -> bool:
        """Whether the database holds a row that the day's hours hang on."""
        from_ms, to_ms = day_window_ms(day)
        return holds_readings(self._connection, from_ms // MINUTE_MS, to_ms // MINUTE_MS)


def _is_over(day: int, sealed_minute: int | None) -> bool:
    """Whether all that a day's hours hang on lies before a minute; without one, nothing more comes."""
    return sealed_minute is None or day_window_ms(day)[1] <= sealed_minute * MINUTE_MS


def _table(rows: MinuteRows) -> Ints:
    """Rows as `minute_frame` takes them, [3 or 6, N]: nothing but the counts where each is a single reading."""
    end_ms = rows.minute * MINUTE_MS + rows.at_ms
    if rows.span_ms.any() or rows.pulses.any() or rows.restart.any():
        return np.stack([rows.column, end_ms, rows.counted, rows.span_ms, rows.pulses, rows.restart])
    return np.stack([rows.column, end_ms, rows.counted])


def _joined(tables: Sequence[Ints]) -> Ints:
    """Tables side by side, as wide as the widest of them."""
    sides = max(len(table) for table in tables)
    return np.concatenate(
        [np.pad(table, ((0, sides - len(table)), (0, 0))) if len(table) < sides else table for table in tables], axis=1
    )

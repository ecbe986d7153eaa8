"""Hours that outlive their minutes: what comes late of them takes nothing away. Imports numpy: not for the always-on process.

Of an hour whose minutes were dropped, or hung on minutes that were, a few late lines tell less than it holds. It stays as it
is, unless what is there now covers as much of it: then it is derived anew, as from a whole log that is loaded once more.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.frames import HOUR_S, Floats
from analysis.pulses import DayHours
from analysis.timeline import DAY_MS, LEAD_S, SETTLE_S
from daemon.store.dropped_days import dropped_days

DAY_HOURS = 24
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlived:
    """What a UTC day keeps of before.

    Attributes:
        kept: [24, M] hours that stay as they are stored.
        off_s: [24] seconds in which the pump stood still: where an hour of any meter stays, as that one knows them.
        usual: [M] meters whose usual rate of the day stays as well.
    """

    kept: Mask
    off_s: Floats
    usual: Mask

    def pairs(self, day: int, ids: Sequence[int]) -> frozenset[tuple[int, int]]:
        """What stays as (UTC epoch hour, number of the meter)."""
        hour, column = np.nonzero(self.kept)
        return frozenset((day * DAY_HOURS + at, ids[of]) for at, of in zip(hour.tolist(), column.tolist(), strict=True))


def outlived(connection: sqlite3.Connection, ids: Sequence[int], day: int, hours: DayHours) -> Outlived:
    """Tell which stored hours of a day know more than those that were derived now.

    Args:
        connection: any.
        ids: [M] numbers of the meters in the database, in column order.
        day: UTC epoch day.
        hours: as they were derived.
    """
    gone = _without_minutes(connection, day)
    held_s, held_off_s = _held(connection, ids, day) if gone.any() else np.zeros((2, DAY_HOURS, len(ids)))
    less = (hours.seconds < held_s) | (hours.seconds + hours.off_s[:, None] < held_s + held_off_s)
    kept = gone[:, None] & less
    return Outlived(
        kept=kept,
        off_s=np.where(kept.any(axis=1), np.where(kept, held_off_s, 0.0).max(axis=1, initial=0.0), hours.off_s),
        # a day that has its own minutes tells what is usual without the one before it
        usual=np.logical_and(kept.any(axis=0), gone.all()),
    )


def _without_minutes(connection: sqlite3.Connection, day: int) -> Mask:
    """Hours of a day that hang on the minutes of a day whose minutes were dropped, [24]."""
    start_s = np.arange(DAY_HOURS) * HOUR_S
    gone = np.zeros(DAY_HOURS, dtype=np.bool_)
    for dropped in dropped_days(connection, from_day=day - 1, to_day=day + 2):
        from_s = (dropped - day) * DAY_MS // 1000
        gone |= (start_s - LEAD_S < from_s + DAY_MS // 1000) & (start_s + HOUR_S + SETTLE_S > from_s)
    return gone


def _held(connection: sqlite3.Connection, ids: Sequence[int], day: int) -> Floats:
    """Seconds in which the pump ran, and in which it stood still, of a day's hours as they are stored, [2, 24, M]."""
    held = np.zeros((2, DAY_HOURS, len(ids)))
    columns = {meter: column for column, meter in enumerate(ids)}
    rows = connection.execute(
        "SELECT hour, meter, seconds, off_s FROM hour WHERE hour >= ? AND hour < ?",
        (day * DAY_HOURS, (day + 1) * DAY_HOURS),
    )
    for hour, meter, seconds, off_s in rows.fetchall():
        if meter in columns:
            held[:, hour - day * DAY_HOURS, columns[meter]] = seconds, off_s
    return held

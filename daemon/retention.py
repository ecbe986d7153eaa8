"""Minutes are kept for a time, hours for ever. Standard library only."""

import sqlite3

from daemon.latest import last_minute
from daemon.store.blocks import block_id, first_minute
from daemon.store.dropped_days import note_dropped
from daemon.store.gauge_hours import DAY_HOURS, drop_gauge_minutes, settle_gauge_hours
from daemon.store.gauges import gauge_minute_span
from daemon.store.keys import row_key
from daemon.store.opening import transaction
from daemon.store.writer import MINUTES_PER_DAY

DAYS_A_COMMIT = 8
PAGES_A_STEP = 2000
_DAY_S = 86_400


def drop_old_minutes(connection: sqlite3.Connection, *, kept_days: int, now_s: float) -> int:
    """Delete the minutes of whole UTC days that are older than `kept_days`, and give their space back.

    Those of gauges go with them; what an hour of them showed stays. Age counts from now or from the newest reading,
    whichever is earlier: a clock that runs ahead, or an old log that is loaded by itself, must not cost anything. Minutes
    whose hours are not derived yet stay, whatever their age. Each transaction is short, so that another writer can get in
    between; an interrupted call is completed by the next.

    Args:
        connection: of `open_writer`.
        kept_days: how many days before the newest one are kept.
        now_s: UTC epoch seconds.

    Returns:
        How many days lost minutes.
    """
    end_day = _end_day(connection, kept_days=kept_days, now_s=now_s)
    dropped = 0
    while (first := first_minute(connection)) is not None and first // MINUTES_PER_DAY < end_day:
        to_day = min(first // MINUTES_PER_DAY + DAYS_A_COMMIT, end_day)
        with transaction(connection):
            days = _days_held(connection, first // MINUTES_PER_DAY, to_day)
            note_dropped(connection, days)
            dropped += len(days)
            connection.execute("DELETE FROM minute WHERE slot < ?", (row_key(to_day * MINUTES_PER_DAY, 0),))
            connection.execute("DELETE FROM minute_block WHERE id < ?", (block_id(to_day * 24, 0),))
    if _drop_gauges(connection, kept_days=kept_days, now_s=now_s) or dropped:
        _give_back(connection)
    return dropped


def settle_gauges(connection: sqlite3.Connection, *, now_s: float) -> None:
    """Give the hours of gauges their medians, up to the day that runs.

    Args:
        connection: of `open_writer`.
        now_s: UTC epoch seconds.
    """
    span = gauge_minute_span(connection)
    if span is not None:
        today = min(int(now_s // _DAY_S), span[1] // MINUTES_PER_DAY)
        settle_gauge_hours(connection, to_hour=today * DAY_HOURS)


def _drop_gauges(connection: sqlite3.Connection, *, kept_days: int, now_s: float) -> bool:
    """Delete the minutes of gauges that are older than those of meters are kept; whether there were any.

    Their age counts from the newest minute of a meter or a gauge: the meters of a plant may come from files alone.
    """
    span = gauge_minute_span(connection)
    if span is None:
        return False
    newest = max(span[1], last_minute(connection) or 0)
    end_day = min(int(now_s // _DAY_S), newest // MINUTES_PER_DAY) - kept_days
    first_day = span[0] // MINUTES_PER_DAY
    for day in range(first_day, end_day, DAYS_A_COMMIT):
        drop_gauge_minutes(connection, to_hour=min(day + DAYS_A_COMMIT, end_day) * DAY_HOURS)
    return first_day < end_day


def _end_day(connection: sqlite3.Connection, *, kept_days: int, now_s: float) -> int:
    """UTC epoch day before which everything may go; a day's hours hang on the day before as well."""
    newest = last_minute(connection)
    if newest is None:
        return 0
    today = min(int(now_s // _DAY_S), newest // MINUTES_PER_DAY)
    (behind,) = connection.execute("SELECT min(day) FROM stale_day").fetchone()
    return today - kept_days if behind is None else min(today - kept_days, behind - 1)


def _days_held(connection: sqlite3.Connection, from_day: int, to_day: int) -> list[int]:
    """Those of the days that hold any minute."""
    days = connection.execute(
        "SELECT minute / 1440 FROM minute WHERE slot >= ? AND slot < ?"
        " UNION SELECT hour / 24 FROM minute_block WHERE id >= ? AND id < ?",
        (
            row_key(from_day * MINUTES_PER_DAY, 0),
            row_key(to_day * MINUTES_PER_DAY, 0),
            block_id(from_day * 24, 0),
            block_id(to_day * 24, 0),
        ),
    ).fetchall()
    return [day for (day,) in days]


def _give_back(connection: sqlite3.Connection) -> None:
    """Return free pages to the file system, some at a time, for as long as that frees any."""
    free = _free_pages(connection)
    while free:
        connection.execute(f"PRAGMA incremental_vacuum({PAGES_A_STEP})").fetchall()
        left = _free_pages(connection)
        if left >= free:
            return
        free = left


def _free_pages(connection: sqlite3.Connection) -> int:
    """Pages of the file that hold nothing."""
    (pages,) = connection.execute("PRAGMA freelist_count").fetchone()
    return int(pages)

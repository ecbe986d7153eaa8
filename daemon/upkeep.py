"""What keeps the database in order beside the collector: hours derived, old minutes dropped. Base install and on."""

import contextlib
import importlib.util
import pathlib
import shutil
import sqlite3
from collections.abc import Iterator

from config.settings import PlantFile
from daemon.latest import last_minute
from daemon.retention import drop_old_minutes, settle_gauges
from daemon.store.notes import note_disk
from daemon.store.opening import open_writer, storage_errors

HOURS_AT_ONCE = 6
_RUNNING_DAYS = 2
"""Around midnight today's minutes count for yesterday's hours as well."""


@contextlib.contextmanager
def second_writer(db: str | pathlib.Path, *, can_be_redone: bool = False) -> Iterator[sqlite3.Connection]:
    """A connection for the jobs, which write beside the collector's and never checkpoint (`open_writer_beside`).

    Args:
        db: the database.
        can_be_redone: what is written is worked out anew if a power cut takes it: it reaches the card with the
            collector's next commit, or within half a minute, and none of its own syncs wears the card. The file is whole
            all the same (sqlite.org/pragma.html#pragma_synchronous: WAL mode is consistent with NORMAL).

    Raises:
        StoreError: the database cannot be read or written.
    """
    with storage_errors(db), contextlib.closing(open_writer(db)) as connection:
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        if can_be_redone:
            connection.execute("PRAGMA synchronous = NORMAL")
        yield connection


def hours_behind(connection: sqlite3.Connection) -> bool:
    """Whether hours were derived HOURS_AT_ONCE ago, or days of the past changed.

    What the minutes of a day that runs add is derived by each reader for itself: to write its hours anew every few
    minutes, or an hour at a time, would wear a card for nothing.
    """
    newest = last_minute(connection)
    (derived,) = connection.execute("SELECT max(hour) FROM hour").fetchone()
    (stale,) = connection.execute("SELECT count(*) FROM stale_day").fetchone()
    begun = newest is not None and (derived is None or newest // 60 >= derived + HOURS_AT_ONCE)
    return begun or stale > _RUNNING_DAYS


def derive_hours(connection: sqlite3.Connection, plant_file: PlantFile) -> int:
    """Derive the hours that are behind, and say of how many days.

    Without numpy (the base install) the hours wait for a command that has it, and so do their minutes.
    """
    if importlib.util.find_spec("numpy") is None:
        return 0
    from daemon.store.hours import refresh_hours  # noqa: PLC0415 - numpy, which the base install may lack

    return refresh_hours(connection, plant_file.plant.meters)


def catch_up(plant_file: PlantFile, db: str | pathlib.Path, *, now_s: float) -> int:
    """Derive the hours that are behind and drop minutes that are too old; how many days lost their minutes.

    Raises:
        StoreError: the database cannot be read or written.
    """
    with second_writer(db) as connection:
        derive_hours(connection, plant_file)
        settle_gauges(connection, now_s=now_s)
        return drop_old_minutes(connection, kept_days=plant_file.settings.store.minutes_kept_days, now_s=now_s)


def note_room(db: pathlib.Path, *, now_s: float) -> None:
    """Note how large the database is and how much room there is beside it.

    Raises:
        StoreError: the database cannot be written.
    """
    with second_writer(db) as connection:
        note_disk(
            connection, now_s=now_s, database_bytes=size_of(db), free_bytes=shutil.disk_usage(db.absolute().parent).free
        )


def size_of(db: pathlib.Path) -> int:
    """Bytes of the database with its log of writes."""
    return sum(file.stat().st_size for file in (db, db.with_name(f"{db.name}-wal")) if file.exists())

"""Opening the database: one writer, everyone else read-only. Standard library only, for the always-on process."""

import contextlib
import fcntl
import os
import pathlib
import sqlite3
from collections.abc import Iterator

from config.errors import InputMissing, StoreError
from daemon.store import schema

BUSY_TIMEOUT_MS = 5000
JOURNAL_LIMIT_BYTES = 16 * 1024 * 1024
BULK_CACHE_KB = 8 * 1024
LEAN_CACHE_KB = 512
LEAN_CHECKPOINT_PAGES = 400


def default_path(plant_path: str | pathlib.Path) -> pathlib.Path:
    """The database beside a plant file: `rack.toml` keeps its readings in `rack.db`."""
    return pathlib.Path(plant_path).with_suffix(".db")


def open_writer(path: str | pathlib.Path) -> sqlite3.Connection:
    """Open a prepared database for its one writer.

    Every transaction is opened by `transaction`, never by the driver. The connection may be handed to another
    thread, but must be used by one at a time.

    Raises:
        StoreError: no such file, not a database, or its tables are older or newer than the program's.
    """
    with storage_errors(path):
        connection = sqlite3.connect(f"{_uri(path)}?mode=rw", uri=True, isolation_level=None, check_same_thread=False)
        connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA journal_size_limit = {JOURNAL_LIMIT_BYTES}")
        _check_version(connection, path)
    return connection


def open_lean_writer(path: str | pathlib.Path) -> sqlite3.Connection:
    """`open_writer` for the always-on process: little memory, and a short log that is used over and over.

    At a small commit a minute it starts again every few hours: rarely, as most pages are written anew again and again, and
    early enough for an index (`-shm`) whose used part is two or three pages, which reach the card with each commit.

    Raises:
        StoreError: as `open_writer`.
    """
    connection = open_writer(path)
    with storage_errors(path):
        connection.execute(f"PRAGMA cache_size = -{LEAN_CACHE_KB}")
        connection.execute(f"PRAGMA wal_autocheckpoint = {LEAN_CHECKPOINT_PAGES}")
    return connection


def prepare_for_bulk(connection: sqlite3.Connection) -> None:
    """Make many rows at once cheaper; for a writer that takes the numbers of meters from the database itself.

    A large transaction keeps its pages in memory until it is whole, or some would be written more than once. That each
    row's meter exists is not looked up row by row.
    """
    connection.execute(f"PRAGMA cache_size = -{BULK_CACHE_KB}")
    connection.execute("PRAGMA foreign_keys = OFF")


def open_writer_beside(path: str | pathlib.Path) -> sqlite3.Connection:
    """`open_writer` for a command, which may run beside the collector: then it never checkpoints.

    Two connections that do so at one moment can spoil a database with SQLite 3.7.0 to 3.51.2 (sqlite.org, changes of
    3.51.3). What is left in the log of writes, the collector's next commits bring home.

    Raises:
        StoreError: as `open_writer`.
    """
    claimed = is_claimed(path)
    connection = open_writer(path)
    if claimed:
        connection.execute("PRAGMA wal_autocheckpoint = 0")
    return connection


def is_claimed(path: str | pathlib.Path) -> bool:
    """Whether a collector holds the database (daemon.collecting.Claim).

    The descriptor stays open on purpose: closing it would release SQLite's own locks on the file in this process.
    """
    try:
        descriptor = os.open(pathlib.Path(path), os.O_RDONLY | os.O_CLOEXEC)
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False  # opening it tells why
    fcntl.flock(descriptor, fcntl.LOCK_UN)
    return False


def open_reader(path: str | pathlib.Path, *, watching: bool = False) -> sqlite3.Connection:
    """Open the database for reading only.

    Args:
        path: the database.
        watching: for a process that reads again and again and never writes: its notes in the index of the log, `-shm`,
            which would reach the card read by read, are left out. A writer in the same process could not write then,
            as SQLite opens the index once a process.

    Raises:
        InputMissing: no such file.
        StoreError: not a database, or its tables are older or newer than the program's.
    """
    if not pathlib.Path(path).is_file():
        raise InputMissing(f"{path}: there is no such database; `clearbore load` or `clearbore collect` makes it")
    with storage_errors(path):
        connection = sqlite3.connect(
            f"{_uri(path)}?mode=ro{_index_mode(path) if watching else ''}", uri=True, isolation_level=None
        )
        connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        _check_version(connection, path)
    return connection


def _index_mode(path: str | pathlib.Path) -> str:
    """Leave the index as it is, where there is one: one that must not be written cannot be made."""
    return "&readonly_shm=1" if pathlib.Path(f"{path}-shm").exists() else ""


@contextlib.contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """One transaction; part of the one that is open, if one is.

    BEGIN IMMEDIATE: a deferred one that reads first and writes later can fail at once, whatever the busy timeout.
    """
    if connection.in_transaction:
        yield
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


@contextlib.contextmanager
def storage_errors(path: str | pathlib.Path) -> Iterator[None]:
    """Turn SQLite's errors into a StoreError that names the file and what to do."""
    try:
        yield
    except sqlite3.Error as error:
        raise StoreError(f"{path}: {_advice(error)}") from error


def _uri(path: str | pathlib.Path) -> str:
    return pathlib.Path(path).absolute().as_uri()


def _check_version(connection: sqlite3.Connection, path: str | pathlib.Path) -> None:
    """Refuse tables that this program does not know."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version == schema.VERSION:
        return
    connection.close()
    if version > schema.VERSION:
        raise StoreError(newer_text(path, version))
    raise StoreError(
        f"{path}: the database is of an older version ({version}, this program has {schema.VERSION}); "
        "`clearbore load` or `clearbore collect` brings it up to date, after a backup"
    )


def newer_text(path: str | pathlib.Path, version: object) -> str:
    """What to say of a database of a newer program."""
    return (
        f"{path}: the database was written by a newer Clearbore ({version}, this program knows {schema.VERSION}); "
        "update Clearbore, or name another file with --db"
    )


_ADVICE = (
    ("SQLITE_BUSY", "another program is writing to the database; stop it or try again later"),
    ("SQLITE_LOCKED", "another program is writing to the database; stop it or try again later"),
    ("SQLITE_FULL", "the disk is full; free some space and run the command again"),
    (
        "SQLITE_READONLY",
        "the database cannot be written; check who owns it and its folder, or whether the card is read-only",
    ),
    ("SQLITE_NOTADB", "this is not a Clearbore database"),
    ("SQLITE_CORRUPT", "the database is damaged; restore a backup"),
    (
        "SQLITE_CANTOPEN",
        "the database cannot be opened; check the path, the rights of its folder, and whether the card is read-only",
    ),
)


def _advice(error: sqlite3.Error) -> str:
    """What is wrong, in words that say what to do."""
    name = getattr(error, "sqlite_errorname", "") or ""
    known = next((advice for start, advice in _ADVICE if name.startswith(start)), "the database failed")
    return f"{known} ({error})"

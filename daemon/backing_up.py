"""Copies of the database that can be trusted: made while others write, checked, the newest kept. Standard library only."""

import contextlib
import datetime as dt
import pathlib
import re
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from config.errors import ClearboreError, InputMissing, OutputUnwritable, StoreError
from config.settings import PlantFile
from daemon.store.copying import Copied, copy_database, integrity
from daemon.store.notes import write_note
from daemon.store.opening import BUSY_TIMEOUT_MS, open_writer_beside, storage_errors

STAMP = "%Y%m%dT%H%M%SZ"
"""ISO 8601, the basic form: a colon cannot stand in a name on a memory stick."""
DAMAGED = "damaged"
"""A word of every error that means just that, here and in daemon.store.opening."""
SQLITE_HEAD = b"SQLite format 3\0"

Tell = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Backup:
    """A copy that was made, the copies that are kept (newest first), and those that went for it."""

    copied: Copied
    kept: tuple[pathlib.Path, ...]
    dropped: tuple[pathlib.Path, ...]


def backup_folder(plant_file: PlantFile) -> pathlib.Path:
    """Where copies are kept: the plant file's `backup_folder`, beside the plant file."""
    return pathlib.Path(plant_file.path).absolute().parent / plant_file.settings.store.backup_folder


def back_up(
    plant_file: PlantFile, db: pathlib.Path, *, now_s: float, to: pathlib.Path | None = None, tell: Tell | None = None
) -> Backup:
    """Copy the database to the folder of copies and keep the newest, or to `to` and keep all.

    Raises:
        InputMissing: no database.
        OutputUnwritable: the copy cannot be written.
        StoreError: the database cannot be read, or is damaged.
    """
    target = _checked_target(db, to) if to is not None else _next_target(plant_file, db, now_s)
    try:
        with _opened(db) as connection:
            copied = copy_database(connection, target, tell=tell)
    except OutputUnwritable as error:
        place = f"`backup_folder` under [store] in {plant_file.path}, or --to FILE"
        raise OutputUnwritable(f"{error} ({place})") from error
    except StoreError as error:
        if DAMAGED in str(error):
            note_integrity(db, now_s=now_s, found=str(error))
        raise
    kept, dropped = _thinned(plant_file, db, copied.path) if to is None else ((copied.path,), ())
    note_integrity(db, now_s=now_s, found="ok")
    _note(
        db,
        "backup",
        now_s,
        {"path": str(copied.path.absolute()), "bytes": copied.size, "rows": sum(copied.rows.values())},
    )
    return Backup(copied=copied, kept=kept, dropped=dropped)


def check_database(db: pathlib.Path, *, now_s: float) -> None:
    """Look through every page of the database, and note what was found.

    Raises:
        InputMissing: no database.
        StoreError: it is damaged, or cannot be read.
    """
    with _opened(db) as connection:
        found = integrity(connection)
    note_integrity(db, now_s=now_s, found=found)
    if found != "ok":
        raise StoreError(
            f"{db}: the database is damaged ({found}). Stop the collector, keep the damaged file, put the newest copy "
            "in its place (README: Copies), and think of a new card"
        )


def note_integrity(db: pathlib.Path, *, now_s: float, found: str) -> None:
    """Note what a check found, as far as the database still takes notes."""
    _note(db, "integrity", now_s, {"good": found == "ok", "words": found})


def _note(db: pathlib.Path, name: str, now_s: float, body: dict[str, object]) -> None:
    """Note something; a database that is older than this program, damaged or read-only goes without."""
    with (
        contextlib.suppress(ClearboreError),
        storage_errors(db),
        contextlib.closing(open_writer_beside(db)) as connection,
    ):
        write_note(connection, name, at_ms=round(now_s * 1000), body=body)


@contextlib.contextmanager
def _opened(db: pathlib.Path) -> Iterator[sqlite3.Connection]:
    """The database for reading, of whatever version: a copy must not hang on that.

    Raises:
        InputMissing: no such file.
        StoreError: it is no database of Clearbore, or cannot be read.
    """
    if not db.is_file():
        raise InputMissing(f"{db}: there is no such database; name another with --db")
    with storage_errors(db):
        connection = sqlite3.connect(f"{db.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
        with contextlib.closing(connection):
            connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
            if connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'minute'").fetchone() is None:
                raise StoreError(f"{db}: this is not a Clearbore database; name another with --db")
            yield connection


def _checked_target(db: pathlib.Path, to: pathlib.Path) -> pathlib.Path:
    """The file to write, which must not be the database itself or somebody else's file.

    Raises:
        OutputUnwritable: says which.
    """
    if to.is_dir():
        raise OutputUnwritable(f"{to}: this is a folder; name a file in it, as {to / db.name}")
    if to.absolute().name.startswith(f"{db.name}-") or (to.exists() and to.samefile(db)):
        raise OutputUnwritable(f"{to}: this is the database itself, or a part of it; name another file with --to")
    if to.exists() and (not to.is_file() or _head(to) not in {b"", SQLITE_HEAD}):
        raise OutputUnwritable(f"{to}: there is a file of another kind, which is left alone; name another with --to")
    return to


def _head(path: pathlib.Path) -> bytes:
    """The first bytes of a file, which tell what it is."""
    with path.open("rb") as file:
        return file.read(len(SQLITE_HEAD))


def _next_target(plant_file: PlantFile, db: pathlib.Path, now_s: float) -> pathlib.Path:
    """A new name in the folder of copies, which is made if only it itself is missing.

    Raises:
        OutputUnwritable: the folder cannot be made.
    """
    folder = backup_folder(plant_file)
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise OutputUnwritable(
            f"{folder}: the folder for copies cannot be made ({error.strerror}). Is the stick plugged in? It is named by "
            f"`backup_folder` under [store] in {plant_file.path}; another place for this one copy goes by --to FILE"
        ) from error
    return folder / f"{db.stem}_{dt.datetime.fromtimestamp(now_s, dt.UTC).strftime(STAMP)}.db"


def kept_copies(plant_file: PlantFile, db: pathlib.Path) -> tuple[pathlib.Path, ...]:
    """Copies of this database in the folder of copies, newest first; nothing that is named otherwise."""
    name = re.compile(rf"{re.escape(db.stem)}_\d{{8}}T\d{{6}}Z\.db")
    folder = backup_folder(plant_file)
    found = [path for path in folder.iterdir() if name.fullmatch(path.name)] if folder.is_dir() else []
    return tuple(sorted(found, key=lambda path: path.name, reverse=True))


def _thinned(
    plant_file: PlantFile, db: pathlib.Path, made: pathlib.Path
) -> tuple[tuple[pathlib.Path, ...], tuple[pathlib.Path, ...]]:
    """Drop the oldest copies beyond those to be kept, never the one just made; (kept, dropped)."""
    found = kept_copies(plant_file, db)
    others = [path for path in found if path != made]
    dropped = others[max(plant_file.settings.store.backups_kept - 1, 0) :]
    for path in dropped:
        path.unlink(missing_ok=True)
    return tuple(path for path in found if path not in dropped), tuple(dropped)

"""A whole copy of the database while others write to it, checked before it gets its name. Standard library only."""

import contextlib
import os
import pathlib
import re
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from config.errors import OutputUnwritable, StoreError

PAGES_A_STEP = 2_000
_UNFINISHED = re.compile(r"\..+\.db\.(\d+)\.part(?:-wal|-shm|-journal)?")
SPARE_BYTES = 1_000_000
"""Beside the copy itself, for what checking it needs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Copied:
    """A copy that was checked: where, how large, and how many rows each table has."""

    path: pathlib.Path
    size: int
    rows: Mapping[str, int]


def copy_database(
    connection: sqlite3.Connection, target: pathlib.Path, *, tell: Callable[[int, int], None] | None = None
) -> Copied:
    """Copy what a connection sees now to `target`, whole or not at all.

    All of it is of one moment: the read transaction that counts the rows is the one that is copied from, so another
    program may go on writing meanwhile. The copy is checked under another name, flushed to the disk, then renamed.

    Args:
        connection: of any mode, outside a transaction.
        target: replaced if it is there.
        tell: is told pages done and pages in all, now and then.

    Raises:
        OutputUnwritable: there is no room, or the folder cannot be written.
        StoreError: the copy is not sound, or holds other rows.
    """
    _need_room(connection, target)
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with _writing(target):
            _clear_away(target.absolute().parent)
            rows = _copy(connection, part, tell)
            _flush(part)
            size = part.stat().st_size
            part.replace(target)
            _flush(target.absolute().parent)
    finally:
        for left in (part, *(part.with_name(part.name + end) for end in ("-wal", "-shm", "-journal"))):
            left.unlink(missing_ok=True)
    return Copied(path=target, size=size, rows=rows)


def _clear_away(folder: pathlib.Path) -> None:
    """Remove unfinished copies of processes that are gone: one that is ended by force cannot do so itself."""
    for left in folder.glob(".*.part*"):
        found = _UNFINISHED.fullmatch(left.name)
        if found is not None and not pathlib.Path(f"/proc/{found[1]}").exists():
            left.unlink(missing_ok=True)


def integrity(connection: sqlite3.Connection) -> str:
    """`ok`, or the first thing that is wrong with the database."""
    try:
        (answer,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    except sqlite3.DatabaseError as error:
        return str(error)
    return str(answer)


def row_counts(connection: sqlite3.Connection) -> dict[str, int]:
    """How many rows each table has."""
    names = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite!_%' ESCAPE '!' ORDER BY name"
    ).fetchall()
    return {name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for (name,) in names}  # noqa: S608 - names out of the database itself


def _copy(
    connection: sqlite3.Connection, part: pathlib.Path, tell: Callable[[int, int], None] | None
) -> dict[str, int]:
    """Copy, and see that the copy is sound and the same; the rows that it holds."""
    connection.execute("BEGIN")
    try:
        rows = row_counts(connection)
        with contextlib.closing(sqlite3.connect(part, isolation_level=None)) as copy:
            connection.backup(
                copy,
                pages=PAGES_A_STEP,
                progress=None if tell is None else lambda _status, left, total: tell(total - left, total),
            )
            _check(copy, rows, part)
    finally:
        connection.execute("ROLLBACK")
    return rows


def _check(copy: sqlite3.Connection, rows: Mapping[str, int], part: pathlib.Path) -> None:
    """Refuse a copy that is damaged or not the same.

    Raises:
        StoreError: says which.
    """
    found = integrity(copy)
    if found != "ok":
        raise StoreError(
            f"{part}: the copy is damaged ({found}), so it was thrown away. Copy once more to another disk or stick "
            "(--to FILE); if that is damaged too, the database itself is: keep it, and your last good copy, and do not "
            "write over either"
        )
    held = row_counts(copy)
    if held != rows:
        other = ", ".join(
            f"{name}: {held.get(name)} rows, {count} expected"
            for name, count in rows.items()
            if held.get(name) != count
        )
        raise StoreError(f"{part}: the copy is not the same as the database ({other}), so it was thrown away")


def _need_room(connection: sqlite3.Connection, target: pathlib.Path) -> None:
    """Refuse early, with figures, where the copy cannot fit.

    Raises:
        OutputUnwritable: no such folder, or too little room.
    """
    folder = target.absolute().parent
    if not folder.is_dir():
        raise OutputUnwritable(f"{target}: the folder {folder} is not there; make it first, or name another")
    (pages,) = connection.execute("PRAGMA page_count").fetchone()
    (page_bytes,) = connection.execute("PRAGMA page_size").fetchone()
    needed, free = pages * page_bytes + SPARE_BYTES, shutil.disk_usage(folder).free
    if free < needed:
        raise OutputUnwritable(
            f"{target}: the copy needs {needed / 1e6:.0f} MB and {folder} has {free / 1e6:.0f} MB free; free some space "
            "there, or name another disk"
        )


@contextlib.contextmanager
def _writing(target: pathlib.Path) -> Iterator[None]:
    """Turn what the target's disk refuses into an error that says what to do.

    Raises:
        OutputUnwritable: the target cannot be written.
    """
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        raise OutputUnwritable(
            f"{target}: the copy cannot be written ({reason}); check who owns the folder, or name another"
        ) from error
    except sqlite3.OperationalError as error:
        raise OutputUnwritable(
            f"{target}: the copy cannot be made ({error}); check the room and the rights of its folder, or name another"
        ) from error


def _flush(path: pathlib.Path) -> None:
    """Have a file, or a folder's list of names, reach the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

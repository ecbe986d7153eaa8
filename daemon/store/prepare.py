"""Make or migrate a database before anyone writes to it.

Not for the always-on process: it imports sqlite_utils.
"""

import contextlib
import importlib
import pathlib
import sqlite3
import sys
from collections.abc import Iterator
from typing import Any

from config.errors import OutputUnwritable, StoreError
from daemon.store import schema
from daemon.store.copying import copy_database
from daemon.store.opening import newer_text, storage_errors

MIGRATION_SET = "clearbore"


def prepare_store(path: str | pathlib.Path) -> pathlib.Path | None:
    """Make the database, or bring its tables up to date; does nothing to one that is.

    A file that holds something is backed up first, beside itself.

    Returns:
        The backup, if one was made.

    Raises:
        OutputUnwritable: there is no room for the backup; nothing was changed.
        StoreError: the folder is missing, the file is no database of ours, or was written by a newer program.
    """
    file = pathlib.Path(path)
    if not file.absolute().parent.is_dir():
        raise StoreError(f"{file}: the folder {file.absolute().parent} does not exist; make it first")
    with storage_errors(file), contextlib.closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.execute("PRAGMA busy_timeout = 5000")
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        if version == schema.VERSION:
            return None
        if version > schema.VERSION:
            raise StoreError(newer_text(file, version))
        return _migrate(connection, file, version)


def updated_text(backup: pathlib.Path) -> str:
    """What to say after a migration."""
    return f"the database was brought up to date; as it was: {backup}"


def _migrate(connection: sqlite3.Connection, file: pathlib.Path, version: int) -> pathlib.Path | None:
    """Apply what is pending, after a backup of what there is."""
    with _without_pandas():
        sqlite_utils = importlib.import_module("sqlite_utils")
    migrations = _migrations(sqlite_utils)
    database = sqlite_utils.Database(connection)
    backup = None
    if connection.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,):
        _set_layout(connection)
    else:
        _refuse_strangers(database, migrations, file)
        target = file.with_name(f"{file.stem}.before-version-{schema.VERSION}-was-{version}.db")
        try:
            backup = copy_database(connection, target).path
        except OutputUnwritable as error:
            raise OutputUnwritable(
                f"{file}: it is of an older version, and is only brought up to date with a copy beside it; {error}"
            ) from error
    migrations.apply(database)
    # the new tables must be in the file itself before anything relies on them
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return backup


def _migrations(sqlite_utils: Any) -> Any:
    """The steps of daemon.store.schema as sqlite-utils runs them, each in a transaction with its own record."""
    migrations = sqlite_utils.Migrations(MIGRATION_SET)
    for number, (name, script) in enumerate(schema.MIGRATIONS, start=1):

        def step(database: Any, number: int = number, script: str = script) -> None:
            for statement in _statements(script):
                database.conn.execute(statement)
            database.conn.execute(f"PRAGMA user_version = {number}")

        migrations(name=name)(step)
    return migrations


def _statements(script: str) -> Iterator[str]:
    """The statements of a script one by one: running it whole would end the transaction."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def _set_layout(connection: sqlite3.Connection) -> None:
    """Settings of the file itself; page size and vacuum mode stay as they are once WAL is on."""
    connection.execute("PRAGMA page_size = 4096")
    connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
    connection.execute("PRAGMA journal_mode = WAL")


def _refuse_strangers(database: Any, migrations: Any, file: pathlib.Path) -> None:
    """Refuse a database of another program, or with steps that this one does not know."""
    applied = [step.name for step in migrations.applied(database)]
    if not applied:
        raise StoreError(f"{file}: this database belongs to another program; name another file with --db")
    unknown = sorted(set(applied) - {name for name, _script in schema.MIGRATIONS})
    if unknown:
        raise StoreError(newer_text(file, ", ".join(unknown)))


@contextlib.contextmanager
def _without_pandas() -> Iterator[None]:
    """Keep sqlite_utils from importing pandas, which it does wherever it finds it, at the price of a second."""
    if "pandas" in sys.modules:
        yield
        return
    sys.modules["pandas"] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        del sys.modules["pandas"]

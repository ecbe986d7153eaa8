"""Many minute rows at once, from a log file. Imports numpy: not for the always-on process."""

import sqlite3
from collections.abc import Sequence

import numpy as np

from analysis.frames import Ints
from daemon.store.opening import transaction
from daemon.store.writer import MINUTES_PER_DAY, mark_stale, write_minutes

# binding is dear: a statement takes many rows, and a row of a single reading binds only what is its own
_SINGLE = "(?, ?, 0, ?, 0, ?, 0, NULL, NULL, 1, 0)"
_WHOLE = "(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
_ROWS_A_STATEMENT = 64
_SINGLE_COLUMNS = (0, 1, 3, 5)


def insert_minutes(connection: sqlite3.Connection, table: Ints) -> bool:
    """Store minute rows in one transaction: all at once if their places are free, else merged one by one.

    Args:
        connection: of `open_writer`.
        table: [N, 11] the columns of the table `minute`, in order of its key. The extremes of a row with one sample
            are stored as null.

    Returns:
        Whether every place was free.
    """
    days = np.unique(table[:, 0] // MINUTES_PER_DAY).tolist()
    with transaction(connection):
        mark_stale(connection, days)
        connection.execute("SAVEPOINT bulk")
        try:
            _insert(connection, table)
        except sqlite3.IntegrityError:
            connection.execute("ROLLBACK TO bulk")
            connection.execute("RELEASE bulk")
            write_minutes(connection, _as_rows(table))
            return False
        connection.execute("RELEASE bulk")
    return True


def _insert(connection: sqlite3.Connection, table: Ints) -> None:
    """Insert rows whose places are free."""
    single = (table[:, 9] == 1) & (table[:, 2] == 0) & (table[:, 10] == 0)
    runs = table[single][:, _SINGLE_COLUMNS] if not single.all() else table[:, _SINGLE_COLUMNS]
    _insert_block(connection, _SINGLE, runs)
    rest = table[~single]
    several = rest[:, 9] > 1
    _insert_block(connection, _WHOLE, rest[several])
    connection.executemany(f"INSERT INTO minute VALUES {_WHOLE}", _as_rows(rest[~several]))  # noqa: S608 - constants


def _insert_block(connection: sqlite3.Connection, row: str, values: Ints) -> None:
    """Insert rows by statements of many, the remainder one by one."""
    whole = len(values) - len(values) % _ROWS_A_STATEMENT
    many = values[:whole].reshape(-1, _ROWS_A_STATEMENT * values.shape[1])
    connection.executemany("INSERT INTO minute VALUES " + ", ".join([row] * _ROWS_A_STATEMENT), many.tolist())  # noqa: S608 - constants
    connection.executemany(f"INSERT INTO minute VALUES {row}", values[whole:].tolist())  # noqa: S608 - constants


def _as_rows(table: Ints) -> list[Sequence[int | None]]:
    """Rows for the database: no extremes where there is one sample."""
    return [
        (*row[:7], None, None, *row[9:]) if samples == 1 else row
        for row, samples in zip(table.tolist(), table[:, 9].tolist(), strict=True)
    ]

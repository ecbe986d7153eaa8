"""What a reader finds in a database that somebody else writes."""

import pathlib
import sqlite3


def rows(db: pathlib.Path, sql: str) -> list[tuple[object, ...]]:
    """The rows of a query."""
    connection = sqlite3.connect(f"{db.as_uri()}?mode=ro", uri=True)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()

"""What the database notes of a file that was loaded: the file itself, and the lines of it that were refused."""

import sqlite3

from daemon.loading.rejects import Rejects
from daemon.loading.tally import Tally
from daemon.store import records, writer


def note_file(connection: sqlite3.Connection, tally: Tally, rejects: Rejects, *, digest: str, again: bool) -> None:
    """Note a file, inside the transaction that stores its last rows.

    Args:
        connection: of the writer.
        tally: what the file held.
        rejects: its refused lines.
        digest: of its content.
        again: whether it was in before; its refused lines of then make room for those of now.
    """
    if again:
        writer.forget_rejects(connection, tally.name)
    rejects.write(connection, tally.name)
    records.write_load(
        connection,
        records.Load(
            digest=digest,
            name=tally.name,
            lines=tally.lines,
            accepted=tally.accepted,
            rejected=tally.refused,
            first_ms=tally.first_ms,
            last_ms=tally.last_ms,
        ),
    )

"""What earlier assessments kept, so that the next one goes on from there. A shortcut: losing it costs time alone."""

import contextlib
import sqlite3
import zlib

from analysis.detection.memory import Memory
from daemon.store.opening import transaction

_BLOCK_H, _KEPT_H = 72, 240
"""Beside the two newest, the first one of every three days is kept for ten: late lines, and reports on the week before."""
_LEVEL = 1
"""More effort packs no better: what is in them are numbers to the last digit."""


def read_memories(connection: sqlite3.Connection) -> tuple[Memory, ...]:
    """All that is kept, in order of their hours."""
    rows = connection.execute("SELECT hour, digest, body FROM watch_memory ORDER BY hour").fetchall()
    return tuple(Memory(hour=hour, digest=digest, body=_unpacked(body)) for hour, digest, body in rows)


def keep_memory(connection: sqlite3.Connection, memory: Memory) -> None:
    """Keep a memory of the newest hours; those of later hours did not fit any more, and of the others a few stay."""
    with transaction(connection):
        connection.execute("DELETE FROM watch_memory WHERE hour >= ?", (memory.hour,))
        connection.execute(
            "INSERT INTO watch_memory (hour, digest, body) VALUES (?, ?, ?)",
            (memory.hour, memory.digest, zlib.compress(memory.body, _LEVEL)),
        )
        hours = [hour for (hour,) in connection.execute("SELECT hour FROM watch_memory ORDER BY hour DESC").fetchall()]
        first = {hour // _BLOCK_H: hour for hour in hours if hour >= memory.hour - _KEPT_H}  # the earliest comes last
        kept = {*hours[:2], *first.values()}
        connection.executemany(
            "DELETE FROM watch_memory WHERE hour = ?", [(hour,) for hour in hours if hour not in kept]
        )


def _unpacked(body: bytes) -> bytes:
    """A body as it was kept; bodies of before they were packed are what they are."""
    with contextlib.suppress(zlib.error):
        return zlib.decompress(body)
    return body

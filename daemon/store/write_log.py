"""The write-ahead log, which cannot shrink while anybody reads: how long it is, and how it is cut. Standard library only.

A reader that never ends pins the log: what is written meanwhile stays in it. So the collector watches its length, cuts
it once the reader is gone, and from MOST_BYTES on commits once an hour instead of once a minute. At 20 meters the log
then grows by less than 40 MB a day up to MOST_BYTES, a week's worth, and by less than 3 MB a day beyond.
"""

import os
import sqlite3

from daemon.store.opening import BUSY_TIMEOUT_MS, JOURNAL_LIMIT_BYTES

LONG_BYTES = 64 * 1024 * 1024
"""From here on the log is told of."""
MOST_BYTES = 256 * 1024 * 1024


def log_bytes(connection: sqlite3.Connection) -> int:
    """Length of the log; 0 without one."""
    _, _, path = connection.execute("PRAGMA database_list").fetchone()
    try:
        return os.stat(f"{path}-wal").st_size  # noqa: PTH116 - once a minute, for years
    except OSError:
        return 0


def cut_log(connection: sqlite3.Connection) -> int:
    """Cut a log that is longer than it need be; does not wait for readers.

    Returns:
        Its length afterwards.
    """
    if log_bytes(connection) > JOURNAL_LIMIT_BYTES:
        connection.execute("PRAGMA busy_timeout = 0")
        try:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        finally:
            connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
    return log_bytes(connection)

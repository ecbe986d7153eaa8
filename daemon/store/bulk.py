"""Many minute rows at once, from a log file. Imports numpy: not for the always-on process."""

import sqlite3
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.frames import Ints
from daemon.store.blocks import METERS_MOST, MINUTES, RECORD, holds_minutes
from daemon.store.opening import transaction
from daemon.store.writer import MINUTES_PER_DAY, mark_stale, write_minutes

Mask = NDArray[np.bool_]

_INSERT = "INSERT INTO minute VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
_TWO_DIGITS, _FOUR_DIGITS = (
    np.frombuffer("".join(f"{number:0{width}d}" for number in range(10**width)).encode(), dtype=np.uint8).reshape(
        -1, width
    )
    for width in (2, 4)
)
_SAMPLES, _PART, _RESTART = 9, 2, 10


def insert_minutes(connection: sqlite3.Connection, table: Ints, *, in_blocks: bool) -> bool:
    """Store minute rows in one transaction: at once in hours that the database holds nothing of, else merged one by one.

    Args:
        connection: of `open_writer`.
        table: [N, 11] the columns of the table `minute`, in order of its key. The extremes of a row with one sample
            are stored as null.
        in_blocks: whether single readings may go into blocks.

    Returns:
        Whether all hours were free.
    """
    hours, places = np.unique(table[:, 0] // MINUTES, return_inverse=True)
    with transaction(connection):
        mark_stale(connection, np.unique(hours * MINUTES // MINUTES_PER_DAY).tolist())
        taken = [holds_minutes(connection, hour * MINUTES, (hour + 1) * MINUTES) for hour in hours.tolist()]
        free = ~np.array(taken, dtype=np.bool_)[places]
        alone = _alone(table) & free if in_blocks else np.zeros(len(table), dtype=np.bool_)
        _insert_blocks(connection, table[alone])
        connection.executemany(_INSERT, _as_rows(table[free & ~alone]))
        write_minutes(connection, _as_rows(table[~free]))
    return bool(free.all())


def _alone(table: Ints) -> Mask:
    """Rows of a single reading and no known restart, the only ones of their minute."""
    further = table[:, _PART] > 0
    followed = np.concatenate([further[1:], [False]])
    return np.asarray((table[:, _SAMPLES] == 1) & (table[:, _RESTART] == 0) & ~further & ~followed, dtype=np.bool_)


def _insert_blocks(connection: sqlite3.Connection, table: Ints) -> None:
    """Store single readings as blocks of an hour and meter."""
    if not len(table):
        return
    hour = table[:, 0] // MINUTES
    span = int(hour[-1] - hour[0] + 1) * METERS_MOST
    key = (hour - hour[0]) * METERS_MOST + table[:, 1]
    order = np.argsort(key.astype(np.uint32) if span < 2**32 else key, kind="stable")
    ordered, key = table[order], key[order]
    starts = np.concatenate([[0], np.flatnonzero(np.diff(key)) + 1])
    text = _records(ordered).tobytes().decode("ascii")
    ends = [*(starts[1:] * RECORD).tolist(), len(text)]
    bodies = [text[start:end] for start, end in zip((starts * RECORD).tolist(), ends, strict=True)]
    ids = (key[starts] + hour[0] * METERS_MOST).tolist()
    connection.executemany("INSERT INTO minute_block (id, body) VALUES (?, ?)", zip(ids, bodies, strict=True))


def _records(table: Ints) -> NDArray[np.uint8]:
    """The records of single readings, [N, 17] characters: minute in the hour, count, at_ms."""
    upper, lower = np.divmod(table[:, 3], 10_000)
    highest, middle = np.divmod(upper, 10_000)
    tens, at_ms = np.divmod(table[:, 5], 10_000)
    records = np.empty((len(table), RECORD), dtype=np.uint8)
    records[:, 0:2] = _TWO_DIGITS[table[:, 0] % MINUTES]
    records[:, 2:4] = _TWO_DIGITS[highest]
    records[:, 4:8] = _FOUR_DIGITS[middle]
    records[:, 8:12] = _FOUR_DIGITS[lower]
    records[:, 12] = tens + ord("0")
    records[:, 13:17] = _FOUR_DIGITS[at_ms]
    return records


def read_records(ids: Sequence[int], bodies: Sequence[str]) -> Ints:
    """Blocks as rows (meter, minute, count, at_ms), [N, 4]."""
    digits = np.frombuffer("".join(bodies).encode("ascii"), dtype=np.uint8).reshape(-1, RECORD) - np.uint8(ord("0"))
    lengths = np.array([len(body) // RECORD for body in bodies], dtype=np.int64)
    key = np.repeat(np.array(ids, dtype=np.int64), lengths)
    minute, counted, at_ms = (_number(digits[:, start:end]) for start, end in ((0, 2), (2, 12), (12, 17)))
    return np.column_stack([key % METERS_MOST, key // METERS_MOST * MINUTES + minute, counted, at_ms])


def _number(digits: NDArray[np.uint8]) -> Ints:
    """Numbers from their digits, [N, places]."""
    number = np.zeros(len(digits), dtype=np.int64)
    for place in range(digits.shape[1]):
        number = number * 10 + digits[:, place]
    return number


def _as_rows(table: Ints) -> list[Sequence[int | None]]:
    """Rows for the database: no extremes where there is one sample."""
    return [
        (*row[:7], None, None, *row[9:]) if samples == 1 else row
        for row, samples in zip(table.tolist(), table[:, _SAMPLES].tolist(), strict=True)
    ]

"""Single readings kept as blocks of an hour and meter."""

import pathlib
import sqlite3
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.frames import Ints
from daemon.store.blocks import first_minute, holds_minutes, read_block
from daemon.store.bulk import insert_minutes
from daemon.store.merging import MinuteRow
from daemon.store.prepare import prepare_store
from daemon.store.reader import read_minutes
from daemon.store.writer import meter_ids, open_writer, write_minutes

HOUR = 480_000


@pytest.fixture
def store(tmp_path: pathlib.Path) -> Iterator[sqlite3.Connection]:
    """An empty database with two meters."""
    prepare_store(tmp_path / "rack.db")
    connection = open_writer(tmp_path / "rack.db")
    meter_ids(connection, ["M1", "M2"])
    yield connection
    connection.close()


def single(minute: int, meter: int, counted: int, at_ms: int) -> MinuteRow:
    """A minute of HOUR with one reading."""
    return MinuteRow(HOUR * 60 + minute, meter, 0, counted, 0, at_ms, 0, None, None, 1, 0)


def table(rows: list[MinuteRow]) -> Ints:
    """Rows as a table, in order of the key; extremes that mean nothing are 0."""
    return np.array([[0 if value is None else value for value in row] for row in sorted(rows, key=lambda r: r[:3])])


def everything(connection: sqlite3.Connection) -> list[tuple[int | None, ...]]:
    """All minutes as the view shows them."""
    return sorted(connection.execute("SELECT * FROM all_minutes").fetchall(), key=lambda row: row[:3])


ROWS = [single(minute, meter, 2**32 - 1 - minute, 59_999 - minute) for minute in range(60) for meter in (1, 2)]


def test_blocks_say_what_rows_say(store: sqlite3.Connection) -> None:
    """By SQL, by the reader of frames, and one block at a time."""
    assert insert_minutes(store, table(ROWS), in_blocks=True)
    assert store.execute("SELECT count(*) FROM minute").fetchone() == (0,)
    assert store.execute("SELECT hour, meter FROM minute_block").fetchall() == [(HOUR, 1), (HOUR, 2)]
    assert everything(store) == [tuple(row) for row in ROWS]
    assert read_block(store, HOUR, 2)[HOUR * 60 + 7] == ROWS[15]
    frame = read_minutes(store, {1: 0, 2: 1}, from_minute=HOUR * 60 + 5, to_minute=HOUR * 60 + 8)
    assert frame.column.tolist() == [0, 0, 0, 1, 1, 1]
    assert frame.counted.tolist() == [2**32 - 6, 2**32 - 7, 2**32 - 8] * 2
    assert frame.end_ms.tolist() == [(HOUR * 60 + minute) * 60_000 + 59_999 - minute for minute in (5, 6, 7)] * 2


def test_only_lone_readings_go_into_blocks(store: sqlite3.Connection) -> None:
    """Sums of several readings, further parts and known restarts stay rows, as does all else of such a minute."""
    rows = [
        single(1, 1, 10, 5),
        MinuteRow(HOUR * 60 + 2, 1, 0, 20, 5, 900, 800, 6250, 6250, 2, 0),
        single(3, 1, 30, 5),
        single(3, 1, 4, 9)._replace(part=1),
        single(4, 1, 2, 5)._replace(restart=1),
    ]
    insert_minutes(store, table(rows), in_blocks=True)
    assert len(store.execute("SELECT * FROM minute").fetchall()) == 4
    assert everything(store) == [tuple(row) for row in rows]


def test_a_late_reading_opens_its_block(store: sqlite3.Connection) -> None:
    """It is merged with its minute's reading; the hour's other minutes stay as they were."""
    insert_minutes(store, table(ROWS), in_blocks=True)
    late = single(7, 1, 2**32 - 20, 100)
    assert write_minutes(store, [late]) == 1
    assert write_minutes(store, [late]) == 0
    found = everything(store)
    assert len(found) == 120
    assert found[14][3:10] == (2**32 - 8, 12, 59_992, 59_892, 200, 200, 2)
    assert found[:14] == [tuple(row) for row in ROWS[:14]]
    assert store.execute("SELECT meter FROM minute_block").fetchall() == [(2,)]


def test_a_minute_that_a_block_lacks_is_a_row(store: sqlite3.Connection) -> None:
    """A gap is filled beside the block; the same again, in bulk or not, changes nothing."""
    insert_minutes(store, table(ROWS[:40] + ROWS[42:]), in_blocks=True)
    assert write_minutes(store, ROWS[40:42]) == 2
    assert not insert_minutes(store, table(ROWS), in_blocks=True)
    assert everything(store) == [tuple(row) for row in ROWS]


def test_what_is_held_is_known_by_the_hour(store: sqlite3.Connection) -> None:
    """Blocks and rows both count."""
    assert first_minute(store) is None
    insert_minutes(store, table(ROWS[20:]), in_blocks=True)
    write_minutes(store, [single(200, 1, 5, 5)])
    base = HOUR * 60
    assert first_minute(store) == base + 10
    assert [holds_minutes(store, base + a, base + b) for a, b in ((-60, 0), (0, 60), (60, 120), (150, 240))] == [
        False,
        True,
        False,
        True,
    ]


@given(
    st.lists(
        st.tuples(st.integers(0, 59), st.integers(0, 2**32 - 1), st.integers(0, 59_999)),
        min_size=1,
        max_size=9,
        unique_by=lambda reading: reading[0],
    )
)
def test_any_reading_comes_back_from_its_block(
    tmp_path_factory: pytest.TempPathFactory, readings: list[tuple[int, int, int]]
) -> None:
    """Every count and time of a 32-bit counter, to the digit."""
    path = tmp_path_factory.getbasetemp() / "any.db"
    prepare_store(path)
    connection = open_writer(path)
    connection.execute("DELETE FROM minute_block")
    meter_ids(connection, ["M1"])
    rows = [single(minute, 1, counted, at_ms) for minute, counted, at_ms in readings]
    insert_minutes(connection, table(rows), in_blocks=True)
    assert everything(connection) == sorted(tuple(row) for row in rows)
    connection.close()

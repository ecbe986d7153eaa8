"""The key of a minute row, in Python and in SQL."""

import contextlib
import pathlib

from hypothesis import given
from hypothesis import strategies as st

from daemon.store.keys import METERS_MOST, PARTS_MOST, minute_of, row_key
from daemon.store.merging import MinuteRow
from daemon.store.opening import open_writer
from daemon.store.prepare import prepare_store
from daemon.store.writer import meter_ids, write_minutes

places = st.tuples(st.integers(0, 2**26 - 1), st.integers(1, METERS_MOST - 1), st.integers(0, PARTS_MOST - 1))


@given(places, places)
def test_keys_stand_in_order_of_time(one: tuple[int, int, int], other: tuple[int, int, int]) -> None:
    """Keys are ordered as (minute, meter, part), differ where these differ, and fit six bytes of SQLite for a century."""
    assert (row_key(*one) < row_key(*other)) == (one < other)
    assert minute_of(row_key(*one)) == one[0]
    assert row_key(*one) < 2**42


def test_sql_reads_the_same_from_a_key(tmp_path: pathlib.Path) -> None:
    """The columns minute, meter and part say what the key was made of; beyond the last part nothing is stored."""
    prepare_store(tmp_path / "rack.db")
    minute = 29_844_000
    with contextlib.closing(open_writer(tmp_path / "rack.db")) as connection:
        meter_ids(connection, [f"M{number}" for number in range(1, METERS_MOST)])
        part = MinuteRow(minute, METERS_MOST - 1, 0, 5, 0, 0, 0, None, None, 1, 1)
        write_minutes(connection, [part._replace(part=number, at_ms=number) for number in range(PARTS_MOST + 6)])
        found = connection.execute("SELECT minute, meter, part FROM minute ORDER BY slot").fetchall()

    assert found == [(minute, METERS_MOST - 1, number) for number in range(PARTS_MOST)]

"""Minute rows, stored as small numbers and read as what they mean."""

import contextlib
import pathlib
import tempfile

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.store.bulk import insert_minutes
from daemon.store.merging import MinuteRow
from daemon.store.opening import open_writer
from daemon.store.prepare import prepare_store
from daemon.store.writer import meter_ids, write_minutes

READ = "SELECT minute, meter, part, count, pulses, at_ms, span_ms, low_mhz, high_mhz, samples, restart FROM minute"
MOST_BYTES = 35
"""Of a row and its place in its page."""


@st.composite
def minutes(draw: st.DrawFn) -> MinuteRow:
    """Any row that a minute of readings can be summed up in."""
    at_ms = draw(st.integers(0, 59_999))
    samples = draw(st.integers(1, 90))
    span_ms = draw(st.integers(0, at_ms)) if samples > 1 else 0
    low, high = sorted(draw(st.tuples(*[st.integers(0, 2**40)] * 2)))
    return MinuteRow(
        minute=draw(st.integers(0, 2**26 - 1)),
        meter=1,
        part=draw(st.integers(0, 63)),
        counted=draw(st.integers(0, 2**32 - 1)),
        pulses=draw(st.integers(0, 2**32 - 1)) if samples > 1 else 0,
        at_ms=at_ms,
        span_ms=span_ms,
        low_mhz=low if samples > 1 else None,
        high_mhz=high if samples > 1 else None,
        samples=samples,
        restart=draw(st.integers(0, 1)),
    )


@given(minutes())
@settings(max_examples=60, deadline=None)
def test_rows_come_back_as_they_were(row: MinuteRow) -> None:
    """Written one by one, as the collector does, and many at once, as loading does."""
    table = np.array([[0 if value is None else value for value in row]])
    with tempfile.TemporaryDirectory() as folder:
        prepare_store(pathlib.Path(folder, "rack.db"))
        with contextlib.closing(open_writer(pathlib.Path(folder, "rack.db"))) as connection:
            meter_ids(connection, ["M1"])
            write_minutes(connection, [row])
            assert connection.execute(READ).fetchall() == [row]
            connection.execute("DELETE FROM minute")
            insert_minutes(connection, table, in_blocks=False)
            assert connection.execute(READ).fetchall() == [row]


def test_a_minute_of_readings_is_short(tmp_path: pathlib.Path) -> None:
    """A day of a meter that speaks each second, its counter far on: no page is less than full of short rows."""
    prepare_store(tmp_path / "rack.db")
    day = [
        MinuteRow(29_000_000 + minute, 1, 0, 2**31 + minute, 2950, 59_500, 59_000, 49_000, 51_000, 60, 0)
        for minute in range(1440)
    ]
    with contextlib.closing(open_writer(tmp_path / "rack.db")) as connection:
        meter_ids(connection, ["M1"])
        before = connection.execute("PRAGMA page_count").fetchone()[0]
        for row in day:
            write_minutes(connection, [row])
        pages = connection.execute("PRAGMA page_count").fetchone()[0] - before

    assert (pages - 1) * 4096 / len(day) < MOST_BYTES

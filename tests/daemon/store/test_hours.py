"""Hours kept level with the minutes."""

import contextlib
import pathlib
import sqlite3
from collections.abc import Iterator

import numpy as np
import pytest

from analysis.events import Event, EventKind
from config.plant import Meter
from daemon.store.hours import bring_up_to_date, refresh_hours
from daemon.store.journal import add_events, read_entries, remove_event
from daemon.store.opening import open_reader
from daemon.store.prepare import prepare_store
from daemon.store.reader import read_hours
from daemon.store.writer import MinuteRow, meter_ids, open_writer, write_minutes

METERS = tuple(Meter(name=name, k_points=((0.0, 450.0),)) for name in ("M1", "M2", "M3"))
DAY = 20_000
MIDNIGHT_MIN = DAY * 1440
MIDNIGHT_S = DAY * 86_400


@pytest.fixture
def store(tmp_path: pathlib.Path) -> Iterator[sqlite3.Connection]:
    """A database with two days of three steady meters, hours derived."""
    prepare_store(tmp_path / "rack.db")
    connection = open_writer(tmp_path / "rack.db")
    meter_ids(connection, [meter.name for meter in METERS])
    write_minutes(connection, steady(0, 2 * 1440))
    refresh_hours(connection, METERS)
    yield connection
    connection.close()


def steady(first: int, last: int) -> list[MinuteRow]:
    """One reading a minute of 10, 20 and 30 pulses a second, from one minute after DAY's midnight to another."""
    return [
        MinuteRow(MIDNIGHT_MIN + minute, number, 0, 1000 + 600 * number * minute, 0, 0, 0, None, None, 1, 0)
        for minute in range(first, last)
        for number in (1, 2, 3)
    ]


def pause(after_min: int, minutes: int) -> Event:
    """A journalled pause."""
    return Event(at_s=MIDNIGHT_S + after_min * 60, kind=EventKind.FEED_PAUSE, target="pump", value=str(minutes))


def test_hours_come_as_a_frame_without_holes(store: sqlite3.Connection) -> None:
    """Two whole days in the order of meters asked for; a meter that is not known is nan."""
    frame = read_hours(store, ["M3", "M9", "M1"])
    assert (frame.start_s, frame.hours, frame.meters) == (MIDNIGHT_S, 48, ("M3", "M9", "M1"))
    np.testing.assert_allclose(frame.rate[:, 0], 30)
    np.testing.assert_allclose(frame.rate[:, 2], 10)
    assert np.isnan(frame.rate[:, 1]).all()
    assert frame.seconds[0, 0] == 3600
    assert frame.off_s.sum() == 0


def test_a_span_is_cut_to_whole_hours(store: sqlite3.Connection) -> None:
    """Only hours that lie within the span, and unknown ones where the database holds nothing."""
    frame = read_hours(store, ["M1"], from_s=MIDNIGHT_S - 7200, to_s=MIDNIGHT_S + 5000)
    assert (frame.start_s, frame.hours) == (MIDNIGHT_S - 7200, 3)
    assert np.isnan(frame.rate[:2]).all()
    assert frame.rate[2, 0] == pytest.approx(10)


def test_an_empty_span_has_no_hours(store: sqlite3.Connection) -> None:
    """Nothing before the first reading, and no error."""
    assert read_hours(store, ["M1"], to_s=MIDNIGHT_S - 86_400).hours == 0
    assert read_hours(store, []).hours == 0


def test_nothing_is_derived_twice(store: sqlite3.Connection) -> None:
    """A refresh without news does nothing."""
    assert refresh_hours(store, METERS) == 0


def test_hours_that_stay_as_they_are_are_not_written_again(store: sqlite3.Connection) -> None:
    """An hour's minutes bring that hour and complete the one before; two days' other hours are left alone."""
    refresh_hours(store, METERS)
    before = set(store.execute("SELECT * FROM hour").fetchall())
    write_minutes(store, steady(2 * 1440, 2 * 1440 + 60))
    changed = store.total_changes
    refresh_hours(store, METERS)
    after = set(store.execute("SELECT * FROM hour").fetchall())
    new, completed, usual, marks = 3, 2 * 3, 2 * 3, 5

    assert len(after - before) == 2 * 3
    assert store.total_changes - changed <= new + completed + usual + marks


def test_a_late_reading_reaches_its_hours(store: sqlite3.Connection) -> None:
    """A meter's minutes that come days later fill the gap that they left."""
    store.execute(
        "DELETE FROM minute WHERE meter = 2 AND minute >= ? AND minute < ?", (MIDNIGHT_MIN + 60, MIDNIGHT_MIN + 180)
    )
    store.execute("INSERT INTO stale_day VALUES (?)", (DAY,))
    refresh_hours(store, METERS)
    assert np.isnan(read_hours(store, ["M2"]).rate[2, 0])
    write_minutes(store, steady(60, 180))
    assert refresh_hours(store, METERS) > 0
    np.testing.assert_allclose(read_hours(store, ["M2"]).rate, 20)


def test_a_reading_after_midnight_completes_the_day_before(store: sqlite3.Connection) -> None:
    """The last minute of a day is covered by the first reading of the next."""
    assert read_hours(store, ["M1"]).seconds[-1, 0] == pytest.approx(3540)
    write_minutes(store, steady(2 * 1440, 2 * 1440 + 1))
    refresh_hours(store, METERS)
    assert read_hours(store, ["M1"]).seconds[47, 0] == pytest.approx(3600)


def test_a_pause_in_the_journal_is_taken_out_and_put_back(store: sqlite3.Connection) -> None:
    """Writing a pause down changes the hours around it, removing the entry undoes that."""
    before = store.execute("SELECT * FROM hour").fetchall()
    add_events(store, [pause(1435, 10)], source="by hand")
    assert refresh_hours(store, METERS) > 0
    frame = read_hours(store, ["M1"])
    assert frame.off_s[23:25].tolist() == [7 * 60, 7 * 60]
    remove_event(store, read_entries(store)[0].id)
    refresh_hours(store, METERS)
    assert store.execute("SELECT * FROM hour").fetchall() == before


def test_hours_outlive_their_minutes(store: sqlite3.Connection) -> None:
    """Minutes are kept for a time only; a later journal entry must not wipe the hours."""
    store.execute("DELETE FROM minute WHERE minute < ?", (MIDNIGHT_MIN + 1440,))
    add_events(store, [pause(600, 10)], source="by hand")
    refresh_hours(store, METERS)
    assert read_hours(store, ["M1"], to_s=MIDNIGHT_S + 86_400).rate[10, 0] == pytest.approx(10)


def test_a_meter_that_left_the_plant_keeps_its_hours(store: sqlite3.Connection) -> None:
    """Deriving the others anew does not touch it."""
    store.execute("INSERT INTO stale_day VALUES (?)", (DAY,))
    refresh_hours(store, METERS[:2])
    assert read_hours(store, ["M3"]).rate[5, 0] == pytest.approx(30)


def test_what_is_usual_follows_late_minutes(store: sqlite3.Connection) -> None:
    """When a day's usual rate changes, the days that go by it are derived anew, and the marks end."""
    write_minutes(store, [row._replace(minute=row.minute - 1440, counted=row.counted // 2) for row in steady(0, 1440)])
    assert refresh_hours(store, METERS) >= 3
    assert store.execute("SELECT count(*) FROM stale_day").fetchone() == (0,)
    assert store.execute("SELECT rate_hz FROM usual_rate WHERE day = ? AND meter = 1", (DAY - 1,)).fetchone() == (5.0,)


def test_a_reader_sees_hours_that_nobody_has_stored_yet(store: sqlite3.Connection, tmp_path: pathlib.Path) -> None:
    """What the collector brought since: derived for the reader alone, the same as when it is stored later."""
    write_minutes(store, steady(2 * 1440, 3 * 1440))
    with contextlib.closing(open_reader(tmp_path / "rack.db")) as reader:
        unknown = Meter(name="M9", k_points=((0.0, 450.0),))
        assert bring_up_to_date(reader, [*METERS, unknown]) == 2
        seen = read_hours(reader, ["M1", "M2"])
        assert bring_up_to_date(reader, METERS) == 2
    assert read_hours(store, ["M1", "M2"]).hours == 48
    refresh_hours(store, METERS)
    stored = read_hours(store, ["M1", "M2"])
    assert seen.hours == stored.hours == 72
    np.testing.assert_array_equal(seen.rate, stored.rate)
    np.testing.assert_array_equal(seen.seconds, stored.seconds)

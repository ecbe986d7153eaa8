"""Rows of gauges in the database: joined, without a date and moved, dropped with the hour's median kept, found again."""

import contextlib
import pathlib
import sqlite3
from collections.abc import Iterator

import numpy as np
import pytest

from daemon.retention import drop_old_minutes, settle_gauges
from daemon.store import schema, undated, writer
from daemon.store.gauge_hours import drop_gauge_minutes, settle_gauge_hours, settled_to
from daemon.store.gauge_rows import GaugeRow
from daemon.store.gauges import (
    add_gauge_minutes,
    add_undated_gauges,
    gauge_ids,
    latest_gauge_row,
    read_gauge_hours,
    read_gauge_rows,
    write_gauge_minutes,
)
from daemon.store.merging import MinuteRow
from daemon.store.opening import open_reader
from daemon.store.prepare import prepare_store
from daemon.store.undated import Anchor

DAY = 20_000
MINUTE = DAY * 1440
OFFSET_MS = MINUTE * 60_000 + 12_345


@pytest.fixture
def store(tmp_path: pathlib.Path) -> Iterator[sqlite3.Connection]:
    """An empty database with two gauges and a meter."""
    prepare_store(tmp_path / "rack.db")
    with contextlib.closing(writer.open_writer(tmp_path / "rack.db")) as connection:
        connection.execute("PRAGMA synchronous = OFF")  # what is written is looked at, not what is kept of it
        assert gauge_ids(connection, ["mains", "header"]) == (1, 2)
        writer.meter_ids(connection, ["M1"])
        yield connection


def row(minute: int, mean: float, gauge: int = 1, samples: int = 1, sd: float | None = None) -> GaugeRow:
    """A row."""
    return GaugeRow(minute=minute, gauge=gauge, mean=mean, sd=sd, samples=samples)


def everything(store: sqlite3.Connection) -> list[GaugeRow]:
    """All rows."""
    return read_gauge_rows(store, from_minute=0, to_minute=1 << 40)


def test_numbers_of_gauges_stay(store: sqlite3.Connection) -> None:
    """In the order asked for; a name that is there costs no write."""
    before = store.total_changes
    assert gauge_ids(store, ["header", "mains"]) == (2, 1)
    assert store.total_changes == before
    assert gauge_ids(store, ["third", "mains"]) == (3, 1)


def test_what_collecting_adds_to_a_minute_is_joined(store: sqlite3.Connection) -> None:
    """A minute that was cut by a new start holds all of its values; the next gauge and minute are apart."""
    add_gauge_minutes(store, [row(MINUTE, 10.0, samples=2, sd=0.0), row(MINUTE, 5.0, gauge=2)])
    add_gauge_minutes(store, [row(MINUTE, 16.0), row(MINUTE + 1, 7.0)])

    assert [found[:3] for found in everything(store)] == [(MINUTE, 1, 12.0), (MINUTE, 2, 5.0), (MINUTE + 1, 1, 7.0)]
    assert everything(store)[0].samples == 3
    assert everything(store)[0].sd == pytest.approx(np.std([10, 10, 16], ddof=1))


def test_of_two_files_the_fuller_minute_stands(store: sqlite3.Connection) -> None:
    """Whichever came first, with its spread."""
    fuller, other = row(MINUTE, 10.0, samples=3, sd=1.0), row(MINUTE, 11.0, samples=2, sd=2.0)
    for rows in ([fuller, other], [other, fuller], [fuller]):
        write_gauge_minutes(store, rows)
        assert everything(store) == [fuller]


def test_rows_without_a_date_are_seen_as_well_as_is_known(store: sqlite3.Connection) -> None:
    """They lie apart, and are read where their middle lies by the offset of the time."""
    undated.write_anchor(store, Anchor(id=1, boot="b", steady_ms=0, offset_ms=OFFSET_MS, known=False))
    add_undated_gauges(store, 1, [row(5, 48.0), row(6, 49.0, gauge=2)])
    add_undated_gauges(store, 1, [row(5, 50.0)])

    assert store.execute("SELECT count(*) FROM gauge_minute").fetchone() == (0,)
    assert [found[:3] for found in everything(store)] == [(MINUTE + 5, 1, 49.0), (MINUTE + 6, 2, 49.0)]
    assert undated.undated_rows(store) == 2
    latest = latest_gauge_row(store, "header", from_minute=MINUTE)
    assert latest is not None
    assert latest.minute == MINUTE + 6
    assert latest_gauge_row(store, "nobody", from_minute=0) is None
    assert undated.move_known(store) is False


def test_rows_move_once_the_clock_is_known(store: sqlite3.Connection) -> None:
    """Those of a boot that had gauges alone too; with what was there, joined; nothing is left behind, nothing doubled."""
    for number, boot in ((1, "a"), (2, "b")):
        undated.write_anchor(store, Anchor(id=number, boot=boot, steady_ms=0, offset_ms=OFFSET_MS, known=False))
    add_undated_gauges(store, 1, [row(minute, 40.0 + minute) for minute in range(5)])
    undated.write_undated(store, 2, [MinuteRow(9, 1, 0, 600, 590, 59_000, 59_000, 10_000, 10_000, 60, 0)])
    add_undated_gauges(store, 2, [row(9, 60.0)])
    add_gauge_minutes(store, [row(MINUTE + 2, 44.0)])
    assert [stretch.anchor for stretch in undated.undated_stretches(store)] == [1, 2]

    for number, boot in ((1, "a"), (2, "b")):
        undated.write_anchor(store, Anchor(id=number, boot=boot, steady_ms=0, offset_ms=OFFSET_MS, known=True))
    moves = 0
    while undated.move_known(store):
        moves += 1
        assert moves < 9

    assert undated.undated_rows(store) == 0
    assert store.execute("SELECT count(*) FROM minute").fetchone() == (1,)
    assert [found[:3] for found in everything(store)] == [
        (MINUTE, 1, 40.0),
        (MINUTE + 1, 1, 41.0),
        (MINUTE + 2, 1, 43.0),
        (MINUTE + 3, 1, 43.0),
        (MINUTE + 4, 1, 44.0),
        (MINUTE + 9, 1, 60.0),
    ]


def test_minutes_go_with_age_and_the_hours_medians_stay(store: sqlite3.Connection) -> None:
    """With those of the meters, by the same setting; an hour says after it what it said before (numpy's median)."""
    random = np.random.default_rng(3)
    shown = random.normal(50.0, 1.0, size=(20 * 24, 60))
    shown[::5, :20] = np.nan
    rows = [
        row(MINUTE + 60 * hour + minute, float(mean))
        for hour, means in enumerate(shown)
        for minute, mean in enumerate(means)
        if np.isfinite(mean)
    ]
    add_gauge_minutes(store, rows)
    writer.write_minutes(store, [MinuteRow(MINUTE + 20 * 1440 - 1, 1, 0, 9, 0, 0, 0, None, None, 1, 0)])
    store.execute("DELETE FROM stale_day")

    before = hours(store)
    drop_old_minutes(store, kept_days=5, now_s=86_400.0 * (DAY + 20))

    assert before == [(0, 24 * DAY + hour, float(np.nanmedian(means))) for hour, means in enumerate(shown)]
    assert hours(store) == before
    assert store.execute("SELECT min(minute) / 1440 FROM gauge_minute").fetchone() == (DAY + 14,)
    assert store.execute("SELECT count(*), min(minutes), max(minutes) FROM gauge_hour").fetchone() == (14 * 24, 40, 60)


def hours(store: sqlite3.Connection, days: int = 20) -> list[tuple[int, int, float]]:
    """What both gauges showed by the hour."""
    return list(read_gauge_hours(store, ["mains", "header"], from_hour=24 * DAY, to_hour=24 * (DAY + days)))


def by_numpy(rows: dict[tuple[int, int], float]) -> list[tuple[int, int, float]]:
    """The same from (minute, gauge) -> mean, by numpy's median."""
    groups: dict[tuple[int, int], list[float]] = {}
    for (minute, gauge), mean in rows.items():
        groups.setdefault((minute // 60, gauge), []).append(mean)
    return [(gauge - 1, hour, float(np.median(means))) for (hour, gauge), means in sorted(groups.items())]


@pytest.mark.parametrize("seed", range(12))
def test_hours_are_the_medians_of_their_minutes_whatever_is_settled(store: sqlite3.Connection, seed: int) -> None:
    """Minutes in any order, late, of files and of collecting, with hours settled now and then; numpy's median."""
    random = np.random.default_rng(seed)
    known: dict[tuple[int, int], float] = {}
    for _turn in range(40):
        at = int(random.integers(0, 4 * 1440))
        places = {(MINUTE + at + int(by), int(gauge)) for by, gauge in random.integers((0, 1), (90, 3), (20, 2))}
        fresh = {place: float(random.normal(50.0, 5.0)) for place in places - known.keys()}
        write = write_gauge_minutes if random.random() < 0.5 else add_gauge_minutes
        write(store, [row(minute, mean, gauge=gauge) for (minute, gauge), mean in sorted(fresh.items())])
        known |= fresh
        if random.random() < 0.3:
            settle_gauge_hours(store, to_hour=24 * DAY + int(random.integers(0, 5 * 24)))
        assert hours(store) == by_numpy(known)
    assert settled_to(store) > 0


def test_what_changes_in_a_settled_hour_changes_its_median(store: sqlite3.Connection) -> None:
    """A fuller minute of another file, and values that a run of the collector adds."""
    write_gauge_minutes(store, [row(MINUTE, 50.0), row(MINUTE + 1, 52.0)])
    settle_gauge_hours(store, to_hour=24 * DAY + 1)
    write_gauge_minutes(store, [row(MINUTE, 54.0, samples=2, sd=0.0)])
    assert hours(store) == [(0, 24 * DAY, 53.0)]
    add_gauge_minutes(store, [row(MINUTE + 1, 55.0)])
    assert hours(store) == [(0, 24 * DAY, 53.75)]


def test_rows_without_a_date_count_in_a_settled_hour(store: sqlite3.Connection) -> None:
    """While they wait as well as once they are moved."""
    write_gauge_minutes(store, [row(MINUTE, 50.0), row(MINUTE + 60, 60.0)])
    settle_gauge_hours(store, to_hour=24 * DAY + 2)
    undated.write_anchor(store, Anchor(id=1, boot="b", steady_ms=0, offset_ms=OFFSET_MS, known=False))
    add_undated_gauges(store, 1, [row(5, 52.0)])
    assert hours(store) == [(0, 24 * DAY, 51.0), (0, 24 * DAY + 1, 60.0)]

    undated.write_anchor(store, Anchor(id=1, boot="b", steady_ms=0, offset_ms=OFFSET_MS, known=True))
    while undated.move_known(store):
        pass
    assert hours(store) == [(0, 24 * DAY, 51.0), (0, 24 * DAY + 1, 60.0)]


def test_a_few_late_minutes_take_nothing_from_an_hour_that_was_dropped(store: sqlite3.Connection) -> None:
    """Its median is of all of its minutes, and stays, also when the late ones are dropped in turn."""
    write_gauge_minutes(store, [row(MINUTE + minute, 50.0) for minute in range(60)])
    drop_gauge_minutes(store, to_hour=24 * DAY + 24)
    write_gauge_minutes(store, [row(MINUTE + 5, 99.0), row(MINUTE + 60, 70.0)])
    assert hours(store) == [(0, 24 * DAY, 50.0), (0, 24 * DAY + 1, 70.0)]
    drop_gauge_minutes(store, to_hour=24 * DAY + 24)
    assert hours(store) == [(0, 24 * DAY, 50.0), (0, 24 * DAY + 1, 70.0)]


def test_settled_hours_are_read_without_their_minutes(store: sqlite3.Connection) -> None:
    """So that a judgement of ten minutes does not go through the minutes of a year: of the day that runs, no more."""
    write_gauge_minutes(store, [row(MINUTE + minute, 50.0 + minute % 7) for minute in range(9 * 1440 + 77)])
    before = hours(store)
    settle_gauges(store, now_s=86_400.0 * (DAY + 30))
    assert settled_to(store) == 24 * (DAY + 9)
    store.execute("DELETE FROM gauge_minute WHERE minute < ?", (MINUTE + 9 * 1440,))
    assert hours(store) == before
    assert len(before) == 9 * 24 + 2


def test_minutes_of_gauges_go_by_their_own_age_where_no_meter_reads(store: sqlite3.Connection) -> None:
    """Meters may come from files alone; a clock that runs ahead or lags costs nothing."""
    write_gauge_minutes(store, [row(MINUTE + 60 * hour, 50.0) for hour in range(10 * 24)])
    for now_day, first_day in ((DAY + 4, DAY), (DAY + 900, DAY + 4)):
        drop_old_minutes(store, kept_days=5, now_s=86_400.0 * now_day)
        assert store.execute("SELECT min(minute) / 1440 FROM gauge_minute").fetchone() == (first_day,)
    assert len(hours(store)) == 10 * 24


def test_rows_of_an_earlier_version_stay(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Loaded before gauges could be listened to, under the key that they had."""
    path = tmp_path / "rack.db"
    version = 1 + [name for name, _script in schema.MIGRATIONS].index("gauges")
    with monkeypatch.context() as earlier:
        earlier.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:version])
        earlier.setattr(schema, "VERSION", version)
        prepare_store(path)
        with contextlib.closing(writer.open_writer(path)) as connection:
            connection.execute("INSERT INTO gauge (name) VALUES ('mains'), ('header')")
            connection.executemany(
                "INSERT INTO gauge_minute VALUES (?, ?, ?, ?)", [(2, 7, 21.5, 3), (1, 8, 48.0, 1), (1, 7, 47.0, 2)]
            )
    prepare_store(path)

    with contextlib.closing(open_reader(path)) as reader:
        assert everything(reader) == [row(7, 47.0, samples=2), row(7, 21.5, gauge=2, samples=3), row(8, 48.0)]

"""Minutes go with age, hours stay."""

import contextlib
import pathlib
import sqlite3
from collections.abc import Iterable, Iterator

import pytest

from analysis.events import Event, EventKind
from config.plant import Meter
from daemon.loading.load import Loader
from daemon.loading.tally import FileTally
from daemon.retention import DAYS_A_COMMIT, drop_old_minutes
from daemon.store.journal import add_events
from daemon.store.opening import open_reader, open_writer
from daemon.store.prepare import prepare_store
from daemon.store.writer import MinuteRow, meter_ids, write_minutes

METERS = (Meter(name="M1", k_points=((0.0, 450.0),)),)
DAY = 20_089
DAYS = 25
NOW_S = (DAY + DAYS - 1) * 86_400.0 + 7200
HELD = "SELECT DISTINCT minute / 1440 FROM all_minutes ORDER BY 1"


@pytest.fixture
def database(tmp_path: pathlib.Path) -> pathlib.Path:
    """25 days of one meter: blocks from a log file, and every third day a row among them; hours derived."""
    path = tmp_path / "rack.db"
    log = tmp_path / "a.csv"
    lines = (f"{_stamp(minute)},M1,{1000 + minute * 600}\n" for minute in range(DAYS * 1440) if minute % 997)
    log.write_text("time_utc,meter,pulses\n" + "".join(lines))
    prepare_store(path)
    with opened(path) as connection:
        loader = Loader(connection, METERS, now_s=NOW_S, kept_lines=9)
        loader.load(log)
        number = meter_ids(connection, ["M1"])["M1"]
        write_minutes(
            connection,
            [
                MinuteRow(DAY * 1440 + minute, number, 0, 1000 + minute * 600, 0, 0, 0, None, None, 1, 0)
                for minute in range(997, DAYS * 1440, 3 * 997)
            ],
        )
        loader.refresh_hours()
    return path


def _stamp(minute: int) -> str:
    """A minute after 2025-01-01 (DAY), as a log writes it."""
    return f"2025-01-{1 + minute // 1440:02d}T{minute // 60 % 24:02d}:{minute % 60:02d}:00Z"


@contextlib.contextmanager
def opened(path: pathlib.Path) -> Iterator[sqlite3.Connection]:
    """The database, for its writer."""
    with contextlib.closing(open_writer(path)) as connection:
        yield connection


def read(path: pathlib.Path, sql: str) -> list[tuple[object, ...]]:
    """What a reader finds who opens the file anew."""
    with contextlib.closing(open_reader(path)) as connection:
        return connection.execute(sql).fetchall()


def test_old_minutes_go_and_hours_stay(database: pathlib.Path) -> None:
    """Rows and blocks of whole days; the file shrinks, is sound, and its hours are as they were."""
    hours, size = read(database, "SELECT * FROM hour"), database.stat().st_size
    with opened(database) as connection:
        assert drop_old_minutes(connection, kept_days=5, now_s=NOW_S) == DAYS - 6
        assert drop_old_minutes(connection, kept_days=5, now_s=NOW_S) == 0
    assert read(database, HELD) == [(DAY + number,) for number in range(DAYS - 6, DAYS)]
    assert len(hours) == DAYS * 24
    assert read(database, "SELECT * FROM hour") == hours
    assert read(database, "PRAGMA freelist_count") == [(0,)]
    assert database.stat().st_size < size
    assert read(database, "PRAGMA integrity_check") == [("ok",)]


def test_hours_stay_when_their_days_are_derived_anew(database: pathlib.Path) -> None:
    """A mark on a day whose minutes are gone wipes nothing, and takes nothing from the days after it."""
    hours = read(database, "SELECT * FROM hour WHERE hour / 24 < 20089 + 19")
    with opened(database) as connection:
        drop_old_minutes(connection, kept_days=5, now_s=NOW_S)
        connection.execute("INSERT INTO stale_day VALUES (?)", (DAY + 3,))
        Loader(connection, METERS, now_s=NOW_S, kept_lines=9).refresh_hours()
    assert read(database, "SELECT * FROM hour WHERE hour / 24 < 20089 + 19") == hours


HOURS = "SELECT hour, meter, pulses, seconds, off_s, parts FROM hour ORDER BY hour, meter"
USUAL = "SELECT day, meter, rate_hz FROM usual_rate ORDER BY day, meter"
TWO = (*METERS, Meter(name="M2", k_points=((0.0, 450.0),)))


def load_late(path: pathlib.Path, lines: list[str], *, meters: tuple[Meter, ...] = METERS) -> FileTally:
    """Load lines as `clearbore load` does: hours first, then what is too old goes."""
    log = path.with_name(f"late-{len(list(path.parent.iterdir()))}.csv")
    log.write_text("time_utc,meter,pulses\n" + "".join(lines), encoding="utf-8")
    with opened(path) as connection:
        loader = Loader(connection, meters, now_s=NOW_S, kept_lines=9)
        tally = loader.load(log)
        loader.refresh_hours()
        drop_old_minutes(connection, kept_days=5, now_s=NOW_S)
    return tally


def counted(minutes: Iterable[int], *, meter: str = "M1", per_minute: int = 600) -> list[str]:
    """The lines of some minutes after DAY."""
    return [f"{_stamp(minute)},{meter},{1000 + minute * per_minute}\n" for minute in minutes]


@pytest.fixture
def pruned(database: pathlib.Path) -> pathlib.Path:
    """The same, with the minutes of all but six days dropped."""
    with opened(database) as connection:
        drop_old_minutes(connection, kept_days=5, now_s=NOW_S)
    return database


def test_late_lines_take_nothing_from_hours_without_minutes(pruned: pathlib.Path) -> None:
    """Two minutes of a day that held 24 hours: they stay to the pulse, and so does what is usual; the lines are counted."""
    hours, usual = read(pruned, HOURS), read(pruned, USUAL)
    tally = load_late(pruned, counted([3 * 1440 + 605, 3 * 1440 + 606]))
    assert (tally.accepted, tally.rejected, tally.too_late) == (2, {}, 2)
    assert read(pruned, HOURS) == hours
    assert read(pruned, USUAL) == usual
    assert read(pruned, HELD)[0] == (DAY + DAYS - 6,)
    (day,) = read(pruned, "SELECT count(*), round(sum(pulses)), sum(seconds) FROM hour WHERE hour / 24 = 20089 + 3")
    assert day == (24, 864_000.0, 86_400.0)


def test_the_day_after_dropped_ones_keeps_what_hung_on_them(database: pathlib.Path) -> None:
    """Without a reading at midnight its first hour begins with the last one of the day before, which is dropped."""
    first = DAY + DAYS - 6
    with opened(database) as connection:
        loader = Loader(connection, METERS, now_s=NOW_S, kept_lines=9)
        number = meter_ids(connection, ["M1"])["M1"]
        connection.execute("DELETE FROM minute_block WHERE hour = ?", (first * 24,))
        minutes = range((DAYS - 6) * 1440 + 1, (DAYS - 6) * 1440 + 60)
        write_minutes(
            connection,
            [MinuteRow(DAY * 1440 + at, number, 0, 1000 + at * 600, 0, 0, 0, None, None, 1, 0) for at in minutes],
        )
        loader.refresh_hours()
        hours = connection.execute(HOURS).fetchall()
        assert connection.execute("SELECT seconds FROM hour WHERE hour = ?", (first * 24,)).fetchone() == (3600.0,)

        drop_old_minutes(connection, kept_days=5, now_s=NOW_S)
        connection.execute("INSERT INTO stale_day VALUES (?)", (first,))
        loader.refresh_hours()
    assert read(database, HOURS) == hours


def test_late_lines_fill_hours_that_hold_nothing(pruned: pathlib.Path) -> None:
    """Of a meter that was not loaded before; the others' hours of those days stay, and none of its lines is too late."""
    hours = read(pruned, HOURS)
    minutes = range(3 * 1440, 4 * 1440 + 1)
    tally = load_late(pruned, counted(minutes, meter="M2", per_minute=300), meters=TWO)
    assert (tally.accepted, tally.too_late) == (1441, 0)
    found = read(pruned, HOURS)
    assert [row for row in found if row[1] == 1] == hours
    fresh = [row[2:5] for row in found if row[1] == 2]
    assert fresh[:24] == [(18_000.0, 3600.0, 0.0)] * 24


def test_a_meter_that_stands_still_says_nothing_of_the_pump_that_ran(pruned: pathlib.Path) -> None:
    """Loaded alone it would, as nobody else turns in those minutes any more; the hours that stay know better."""
    load_late(pruned, counted(range(3 * 1440, 4 * 1440 + 1), meter="M2", per_minute=0), meters=TWO)
    assert read(pruned, "SELECT max(off_s) FROM hour WHERE hour / 24 = 20089 + 3") == [(0.0,)]


def test_a_whole_log_may_be_loaded_once_more(pruned: pathlib.Path) -> None:
    """Its hours cover as much as what is held, so they are derived anew: here from a counter that counted twice as much."""
    before = dict(read_pulses(pruned, 3))
    tally = load_late(pruned, counted(range(3 * 1440 - 40, 4 * 1440 + 80), per_minute=1200))
    after = dict(read_pulses(pruned, 3))
    assert before.keys() == after.keys()
    assert all(after[hour] == pytest.approx(2 * before[hour]) for hour in before)
    # those of the last 40 minutes of the day before, and of the first 80 of the day after
    assert tally.too_late == 40 + 20


def read_pulses(path: pathlib.Path, day: int) -> list[tuple[int, float]]:
    """(hour, pulses) of M1 of a day."""
    with contextlib.closing(open_reader(path)) as connection:
        first = (DAY + day) * 24
        asked = "SELECT hour, pulses FROM hour WHERE meter = 1 AND hour >= ? AND hour < ?"
        return connection.execute(asked, (first, first + 24)).fetchall()


def test_a_pause_written_down_later_leaves_hours_without_minutes(pruned: pathlib.Path) -> None:
    """A late line makes their day be derived anew, under a pause that would take all of an hour away."""
    hours = read(pruned, HOURS)
    with opened(pruned) as connection:
        at_s = (DAY + 3) * 86_400.0 + 36_000
        add_events(
            connection, [Event(at_s=at_s, kind=EventKind.FEED_PAUSE, target="pump", value="60")], source="by hand"
        )
    tally = load_late(pruned, counted([3 * 1440 + 605]))
    assert tally.too_late == 1
    assert read(pruned, HOURS) == hours


def test_two_files_of_a_call_that_complete_an_hour_are_not_too_late(
    pruned: pathlib.Path, tmp_path: pathlib.Path
) -> None:
    """It is told once all of them are in."""
    minutes = range(3 * 1440 + 500, 3 * 1440 + 800)
    halves = (counted(minutes[::2]), counted(minutes[1::2]))
    with opened(pruned) as connection:
        loader = Loader(connection, METERS, now_s=NOW_S, kept_lines=9)
        tallies = []
        for number, half in enumerate(halves):
            log = tmp_path / f"half-{number}.csv"
            log.write_text("time_utc,meter,pulses\n" + "".join(half), encoding="utf-8")
            tallies.append(loader.load(log))
        loader.refresh_hours()
    # whole hours from 540 to 780; 40 minutes before them and 20 after are of hours that hold more
    assert [tally.too_late for tally in tallies] == [30, 30]


def test_each_transaction_is_short(database: pathlib.Path) -> None:
    """Another writer gets in between, and what was interrupted is completed by the next call."""
    with opened(database) as connection:
        commits: list[str] = []
        connection.set_trace_callback(lambda sql: commits.append(sql) if sql == "COMMIT" else None)
        drop_old_minutes(connection, kept_days=5, now_s=NOW_S)
    assert len(commits) == -(-(DAYS - 6) // DAYS_A_COMMIT)


@pytest.mark.parametrize(("now_s", "held"), [(NOW_S + 9e8, 6), (NOW_S - 10 * 86_400, 16)])
def test_a_wrong_clock_costs_nothing(database: pathlib.Path, now_s: float, held: int) -> None:
    """One that runs ahead deletes no more than the newest reading allows, one that lags deletes less."""
    with opened(database) as connection:
        drop_old_minutes(connection, kept_days=5, now_s=now_s)
    assert len(read(database, HELD)) == held


def test_minutes_whose_hours_are_behind_stay(database: pathlib.Path) -> None:
    """They and the day before, on which their hours hang."""
    with opened(database) as connection:
        connection.execute("INSERT INTO stale_day VALUES (?)", (DAY + 4,))
        assert drop_old_minutes(connection, kept_days=5, now_s=NOW_S) == 3
    assert read(database, HELD)[0] == (DAY + 3,)


def test_an_empty_database_has_nothing_to_drop(tmp_path: pathlib.Path) -> None:
    """And that is no error."""
    prepare_store(tmp_path / "rack.db")
    with opened(tmp_path / "rack.db") as connection:
        assert drop_old_minutes(connection, kept_days=1, now_s=NOW_S) == 0

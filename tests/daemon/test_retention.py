"""Minutes go with age, hours stay."""

import contextlib
import pathlib
import sqlite3
from collections.abc import Iterator

import pytest

from config.plant import Meter
from daemon.loading.load import Loader
from daemon.retention import DAYS_A_COMMIT, drop_old_minutes
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

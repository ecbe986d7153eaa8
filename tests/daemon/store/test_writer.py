"""What the one writer writes."""

import pathlib
import sqlite3
from collections.abc import Iterator
from types import SimpleNamespace

import pytest

from daemon.store import writer
from daemon.store.prepare import prepare_store
from daemon.store.writer import MinuteRow, Reject


@pytest.fixture
def store(tmp_path: pathlib.Path) -> Iterator[sqlite3.Connection]:
    """An empty database with two meters."""
    prepare_store(tmp_path / "rack.db")
    connection = writer.open_writer(tmp_path / "rack.db")
    writer.meter_ids(connection, ["M1", "M2"])
    yield connection
    connection.close()


def single(minute: int, meter: int, counted: int, at_ms: int = 0) -> MinuteRow:
    """A minute with one reading."""
    return MinuteRow(minute, meter, 0, counted, 0, at_ms, 0, None, None, 1, 0)


def everything(connection: sqlite3.Connection, table: str) -> list[tuple[object, ...]]:
    """All rows of a table."""
    return connection.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608 - a table of ours


def test_meters_keep_their_numbers(store: sqlite3.Connection) -> None:
    """A meter that is new gets a number, the others keep theirs."""
    before = writer.meter_ids(store, ["M2", "M1"])
    after = writer.meter_ids(store, ["M3", "M2"])
    assert after["M2"] == before["M2"]
    assert len({*before.values(), after["M3"]}) == 3


def test_minutes_are_stored_and_marked(store: sqlite3.Connection) -> None:
    """The rows are there, and the hours of their days are known to be behind."""
    rows = [single(1440 * 3 + 5, 1, 10), single(1440 * 4, 2, 20)]
    assert writer.write_minutes(store, rows) == 2
    assert everything(store, "all_minutes") == [tuple(row) for row in rows]
    assert everything(store, "stale_day") == [(3,), (4,)]


def test_writing_the_same_minutes_again_changes_nothing(store: sqlite3.Connection) -> None:
    """Not even the mark of a day comes back."""
    rows = [single(5, 1, 10), single(5, 2, 20)]
    writer.write_minutes(store, rows)
    store.execute("DELETE FROM stale_day")
    assert writer.write_minutes(store, rows) == 0
    assert everything(store, "stale_day") == []


def test_a_later_reading_of_the_minute_is_joined(store: sqlite3.Connection) -> None:
    """Two readings of one minute that come apart make one row with the pulses between them."""
    writer.write_minutes(store, [single(5, 1, 10, 1000)])
    writer.write_minutes(store, [single(5, 1, 30, 5000)])
    assert everything(store, "all_minutes") == [(5, 1, 0, 30, 20, 5000, 4000, 5000, 5000, 2, 0)]


def test_a_batch_is_whole_or_not_there(store: sqlite3.Connection) -> None:
    """A row that the database refuses takes its whole batch with it."""
    with pytest.raises(sqlite3.IntegrityError):
        writer.write_minutes(store, [single(5, 1, 10), single(6, 99, 10)])
    assert everything(store, "all_minutes") == []
    assert not store.in_transaction


def test_rejects_are_counted_and_kept(store: sqlite3.Connection) -> None:
    """A line that comes again is counted again, and kept once."""
    for _time in range(2):
        writer.write_rejects(
            store, "bench", [Reject("checksum", "$CB", None, 70), Reject("length", "x", None, 71)], kept_lines=9
        )
    assert everything(store, "rejected") == [("bench", "checksum", 2), ("bench", "length", 2)]
    assert [row[3:] for row in everything(store, "quarantine")] == [("checksum", "$CB", 70, 2), ("length", "x", 71, 2)]


def test_the_quarantine_is_bounded_and_the_counts_are_not(store: sqlite3.Connection) -> None:
    """The newest lines stay, each cut to its bound; no count is lost."""
    rejects = [Reject("noise", f"{number:03d}" + "x" * 500, number, 70) for number in range(50)]
    writer.write_rejects(store, "a.csv", rejects, kept_lines=7)
    kept = store.execute("SELECT line_no, length(line) FROM quarantine ORDER BY line_no").fetchall()
    assert kept == [(number, 200) for number in range(43, 50)]
    assert everything(store, "rejected") == [("a.csv", "noise", 50)]


def test_a_source_says_its_last_word(store: sqlite3.Connection) -> None:
    """Only the newest state of a source is kept."""
    writer.write_source_state(store, "bench", 1, "{}")
    writer.write_source_state(store, "bench", 2, '{"lines": 3}')
    assert everything(store, "source_state") == [("bench", 2, '{"lines": 3}')]


def test_people_can_read_rates_with_any_sql_tool(store: sqlite3.Connection) -> None:
    """The view shows time, meter and the pulses since the row before; none across a restart."""
    writer.write_minutes(store, [single(60, 1, 10), single(61, 1, 25), single(62, 1, 4)])
    rows = store.execute("SELECT minute_utc, meter, pulses_since_row_before FROM minute_rate").fetchall()
    assert rows == [
        ("1970-01-01T01:00:00Z", "M1", None),
        ("1970-01-01T01:01:00Z", "M1", 15),
        ("1970-01-01T01:02:00Z", "M1", None),
    ]


def test_the_log_is_laid_out_once(tmp_path: pathlib.Path) -> None:
    """Commits after it do not lengthen the log, every row is read, and is there after a recovery from that log."""
    db = tmp_path / "laid.db"
    prepare_store(db)
    connection = writer.open_writer(db)
    writer.meter_ids(connection, ["M1"])
    writer.lay_out_log(connection, db)
    length = db.with_name("laid.db-wal").stat().st_size
    rows = [single(minute, 1, minute) for minute in range(50)]
    for row in rows:
        writer.write_minutes(connection, [row])

    assert length == db.with_name("laid.db-wal").stat().st_size == writer.LOG_BYTES
    (tmp_path / "cut").mkdir()
    for name in ("laid.db", "laid.db-wal"):  # as they lie on the card when the power goes
        (tmp_path / "cut" / name).write_bytes((tmp_path / name).read_bytes())
    connection.close()
    recovered = writer.open_writer(tmp_path / "cut" / "laid.db")
    assert everything(recovered, "all_minutes") == [tuple(row) for row in rows]
    assert recovered.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    recovered.close()


def test_parts_without_a_number_are_counted(store: sqlite3.Connection) -> None:
    """A counter that runs backward seventy times in a minute: 64 parts are kept, the other readings are counted."""
    meter = writer.meter_ids(store, ["M1"])["M1"]
    rows = [MinuteRow(100, meter, part, 7, 0, part * 100, 0, None, None, 1, 0) for part in range(70)]

    writer.write_minutes(store, rows)

    assert store.execute("SELECT count(*) FROM minute").fetchone() == (64,)
    assert store.execute("SELECT source, reason, times FROM rejected").fetchall() == [
        ("meter M1", "the count ran backward too often in a minute", 6)
    ]


def test_the_log_is_not_what_fills_a_disk(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a small or nearly full disk the log stays as long as its commits make it."""
    db = tmp_path / "small.db"
    prepare_store(db)
    connection = writer.open_writer(db)
    monkeypatch.setattr("daemon.store.writer.shutil.disk_usage", lambda _path: SimpleNamespace(free=10**7))
    writer.lay_out_log(connection, db)

    assert db.with_name("small.db-wal").stat().st_size < writer.LOG_BYTES
    connection.close()

"""Making and migrating the database."""

import contextlib
import pathlib
import shutil
import sqlite3
import struct
import subprocess
import sys

import pytest

from config.errors import InputMissing, OutputUnwritable, StoreError
from daemon.store import schema
from daemon.store.keys import row_key
from daemon.store.opening import open_reader, open_writer
from daemon.store.prepare import prepare_store

BY_NUMBER = 1 + [name for name, _script in schema.MIGRATIONS].index("minutes by number")
SHORT_ROWS = 1 + [name for name, _script in schema.MIGRATIONS].index("short rows")
"""The version from which a minute's key is one number."""


def asked(path: pathlib.Path, question: str) -> object:
    """The first answer to a question."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return connection.execute(question).fetchone()[0]


def test_a_new_database_has_its_layout(tmp_path: pathlib.Path) -> None:
    """Page size, vacuum mode and write-ahead log can only be set while the file is new."""
    path = tmp_path / "rack.db"
    assert prepare_store(path) is None
    found = [asked(path, f"PRAGMA {name}") for name in ("page_size", "auto_vacuum", "journal_mode", "user_version")]
    assert found == [4096, 2, "wal", schema.VERSION]


def test_the_writer_is_durable(tmp_path: pathlib.Path) -> None:
    """Every commit reaches the disk, foreign keys hold, and a busy database is waited for."""
    prepare_store(tmp_path / "rack.db")
    with contextlib.closing(open_writer(tmp_path / "rack.db")) as writer:
        found = [
            writer.execute(f"PRAGMA {name}").fetchone() for name in ("synchronous", "foreign_keys", "busy_timeout")
        ]
    assert found == [(2,), (1,), (5000,)]


def test_a_prepared_database_is_left_alone(tmp_path: pathlib.Path) -> None:
    """A second call makes no backup and changes no byte."""
    path = tmp_path / "rack.db"
    prepare_store(path)
    before = path.read_bytes()
    assert prepare_store(path) is None
    assert path.read_bytes() == before
    assert sorted(file.name for file in tmp_path.iterdir()) == ["rack.db"]


def test_a_newer_database_is_refused(tmp_path: pathlib.Path) -> None:
    """A database of a newer program is neither written nor read."""
    path = tmp_path / "rack.db"
    prepare_store(path)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    for action in (prepare_store, open_writer, open_reader):
        with pytest.raises(StoreError, match="newer Clearbore"):
            action(path)


def test_steps_of_a_newer_program_are_refused(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An unknown step is seen even where the version number was lost."""
    path = tmp_path / "rack.db"
    prepare_store(path)
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('clearbore', 'later', 'x')"
        )
        connection.execute("PRAGMA user_version = 0")
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ("next", "CREATE TABLE next (id INTEGER);\n")))
    with pytest.raises(StoreError, match="later"):
        prepare_store(path)


def test_a_database_of_another_program_is_refused(tmp_path: pathlib.Path) -> None:
    """Nobody else's tables are touched."""
    path = tmp_path / "shop.db"
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE orders (id INTEGER)")
    with pytest.raises(StoreError, match="another program"):
        prepare_store(path)


def test_a_file_that_is_no_database_is_refused(tmp_path: pathlib.Path) -> None:
    """A text file with the suffix .db is named as such, and stays as it is."""
    path = tmp_path / "rack.db"
    path.write_text("not a database at all, " * 100)
    with pytest.raises(StoreError, match="not a Clearbore database"):
        prepare_store(path)
    assert path.read_text().startswith("not a database")


def test_a_missing_folder_is_named(tmp_path: pathlib.Path) -> None:
    """SQLite only says that it cannot open the file."""
    with pytest.raises(StoreError, match="does not exist"):
        prepare_store(tmp_path / "nowhere" / "rack.db")


def test_a_missing_database_is_missing_input(tmp_path: pathlib.Path) -> None:
    """A reader does not make the file that it cannot find."""
    with pytest.raises(InputMissing, match=r"rack\.db"):
        open_reader(tmp_path / "rack.db")
    assert not (tmp_path / "rack.db").exists()


def test_a_reader_cannot_write(tmp_path: pathlib.Path) -> None:
    """Only the one writer writes."""
    prepare_store(tmp_path / "rack.db")
    with contextlib.closing(open_reader(tmp_path / "rack.db")) as reader, pytest.raises(sqlite3.OperationalError):
        reader.execute("INSERT INTO meter (name) VALUES ('M1')")


def test_a_migration_backs_up_first(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was in the file is in the backup and in the migrated file, and the log of writes is empty."""
    path = tmp_path / "rack.db"
    prepare_store(path)
    with contextlib.closing(open_writer(path)) as writer:
        writer.execute("INSERT INTO meter (name) VALUES ('M1')")
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ("next", "CREATE TABLE next (id INTEGER);\n")))
    monkeypatch.setattr(schema, "VERSION", schema.VERSION + 1)
    backup = prepare_store(path)
    assert backup is not None
    assert asked(backup, "SELECT name FROM meter") == asked(path, "SELECT name FROM meter") == "M1"
    assert asked(backup, "PRAGMA user_version") == schema.VERSION - 1
    assert asked(path, "PRAGMA user_version") == schema.VERSION
    assert asked(path, "SELECT count(*) FROM next") == 0


@pytest.mark.parametrize("version", range(1, schema.VERSION))
def test_every_earlier_version_comes_up_to_date(
    tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch, version: int
) -> None:
    """Its readings stay, the file as it was lies beside it, and a second call finds nothing to do."""
    path = tmp_path / "rack.db"
    with monkeypatch.context() as earlier:
        earlier.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:version])
        earlier.setattr(schema, "VERSION", version)
        prepare_store(path)
        with contextlib.closing(open_writer(path)) as writer:
            writer.execute("INSERT INTO meter (name) VALUES ('M1')")
            key = "minute, meter" if version < BY_NUMBER else "slot"
            values = "7, 1" if version < BY_NUMBER else str(row_key(7, 1))
            at = "at_ms" if version < SHORT_ROWS else "rest_ms"
            writer.execute(f"INSERT INTO minute ({key}, count, {at}) VALUES ({values}, 450, 0)")  # noqa: S608 - ours
    for opener in (open_reader, open_writer):
        with pytest.raises(StoreError, match=f"older version \\({version}, this program has {schema.VERSION}\\)"):
            opener(path)

    assert prepare_store(path) == tmp_path / f"rack.before-version-{schema.VERSION}-was-{version}.db"
    assert asked(path, "SELECT count FROM minute WHERE minute = 7 AND meter = 1 AND part = 0") == 450
    assert asked(path, "PRAGMA integrity_check") == "ok"
    assert prepare_store(path) is None


def test_rows_made_shorter_say_what_they_said(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Minute rows of every kind, and the parts of an hour that ran on, of one that did not, and of one without."""
    path = tmp_path / "rack.db"
    rows = [
        (row_key(7, 1), 2**32 - 1, 3000, 59_999, 59_001, 50_100, 51_000, 60, 1),
        (row_key(7, 1, 1), 0, 0, 0, 0, None, None, 1, 0),
        (row_key(8, 1), 5, 4, 20_000, 0, None, None, 2, 0),
        (row_key(9, 1), 7, 2_000, 30_000, 40_000, 0, 250_000_000, 9, 0),
    ]
    pulses, known = struct.pack("<6f", *range(6)), struct.pack("<6H", *range(180, 186))
    whole, broken = (struct.pack("<6f", *[600.0] * 5, last) for last in (600.0, 599.5))
    with monkeypatch.context() as earlier:
        earlier.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:BY_NUMBER])
        earlier.setattr(schema, "VERSION", BY_NUMBER)
        prepare_store(path)
        with contextlib.closing(open_writer(path)) as writer:
            writer.execute("INSERT INTO meter (name) VALUES ('M1')")
            columns = "slot, count, pulses, at_ms, span_ms, low_mhz, high_mhz, samples, restart"
            writer.executemany(f"INSERT INTO minute ({columns}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)  # noqa: S608 - ours
            hours = [
                (hour, parts) for hour, parts in enumerate((pulses + whole + known, pulses + broken + known, None))
            ]
            writer.executemany("INSERT INTO hour VALUES (?, 1, 15, 3600, 0, ?)", hours)
    prepare_store(path)

    with contextlib.closing(open_reader(path)) as reader:
        assert reader.execute(f"SELECT {columns} FROM minute ORDER BY slot").fetchall() == rows  # noqa: S608 - ours
        assert reader.execute("SELECT parts FROM hour ORDER BY hour").fetchall() == [
            (pulses + known,),
            (pulses + broken + known,),
            (None,),
        ]


def test_days_whose_minutes_were_dropped_before_are_known(
    tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They have hours, and neither rows nor blocks of minutes."""
    path = tmp_path / "rack.db"
    before = [name for name, _script in schema.MIGRATIONS].index("dropped days")
    with monkeypatch.context() as earlier:
        earlier.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:before])
        earlier.setattr(schema, "VERSION", before)
        prepare_store(path)
        with contextlib.closing(open_writer(path)) as writer:
            writer.execute("INSERT INTO meter (name) VALUES ('M1')")
            hours = [(24 * day + hour,) for day in (100, 101, 102, 104) for hour in (0, 23)]
            writer.executemany("INSERT INTO hour VALUES (?, 1, 15, 3600, 0, NULL)", hours)
            writer.execute("INSERT INTO minute (slot, count, rest_ms) VALUES (?, 1, 0)", (row_key(102 * 1440 - 1, 1),))
            writer.execute("INSERT INTO minute_block (id, body) VALUES (?, '')", (104 * 24 * 4096 + 1,))
    prepare_store(path)

    with contextlib.closing(open_reader(path)) as reader:
        assert reader.execute("SELECT day FROM dropped_day ORDER BY day").fetchall() == [(100,), (102,)]


def test_no_room_for_the_backup_means_no_migration(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file stays at its version and is still good for the program that wrote it."""
    path = tmp_path / "rack.db"
    prepare_store(path)
    usage = shutil.disk_usage(tmp_path)._replace(free=1000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: usage)
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ("next", "CREATE TABLE next (id INTEGER);\n")))
    monkeypatch.setattr(schema, "VERSION", schema.VERSION + 1)
    with pytest.raises(OutputUnwritable, match="free some space"):
        prepare_store(path)
    assert asked(path, "PRAGMA user_version") == schema.VERSION - 1
    assert [file.name for file in tmp_path.iterdir()] == ["rack.db"]


def test_a_failing_migration_leaves_nothing_behind(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A step is whole or not there at all."""
    path = tmp_path / "rack.db"
    prepare_store(path)
    broken = "CREATE TABLE half (id INTEGER);\nCREATE TABLE meter (id INTEGER);\n"
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ("broken", broken)))
    monkeypatch.setattr(schema, "VERSION", schema.VERSION + 1)
    with pytest.raises(StoreError, match="already exists"):
        prepare_store(path)
    assert asked(path, "SELECT count(*) FROM sqlite_master WHERE name = 'half'") == 0
    assert asked(path, "PRAGMA user_version") == schema.VERSION - 1


def test_what_the_always_on_process_imports_is_light() -> None:
    """The writer's side of the store pulls in none of the heavy packages."""
    light = "daemon.store.writer, daemon.store.journal, daemon.store.records, daemon.store.baselines"
    heavy = "{'numpy', 'pandas', 'sqlite_utils', 'pydantic', 'scipy', 'matplotlib'}"
    script = f"import sys, {light}; print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"

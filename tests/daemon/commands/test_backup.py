"""`clearbore backup`: copies that are kept, what is refused, and what is noted."""

import contextlib
import json
import pathlib
import shutil
import sqlite3

import pytest
from click.testing import CliRunner, Result

from config.errors import ClearboreError, InputMissing, OutputUnwritable, StoreError
from config.load import load_plant
from daemon.backing_up import back_up, kept_copies
from daemon.commands.backup import command
from daemon.store.notes import read_notes
from daemon.store.opening import open_reader
from daemon.store.prepare import prepare_store
from tests.support.example_plants import PLANTS

NOW_S = 1_795_000_000.0
DAY_S = 86_400.0


@pytest.fixture
def plant(tmp_path: pathlib.Path) -> pathlib.Path:
    """A plant file with an empty database, three copies to be kept."""
    path = tmp_path / "rack.toml"
    path.write_text((PLANTS / "one_branch.toml").read_text() + "\n[store]\nbackups_kept = 3\n")
    prepare_store(path.with_suffix(".db"))
    return path


def run(*arguments: object) -> Result:
    """Run the command."""
    return CliRunner().invoke(command, [str(argument) for argument in arguments])


def test_a_copy_beside_the_plant_file(plant: pathlib.Path) -> None:
    """It is named in words and in JSON, and it opens as a database."""
    said = json.loads(run(plant, "--json").stdout)
    copy = pathlib.Path(said["copy"])

    assert copy.parent == plant.parent / "backups"
    assert (said["integrity"], said["bytes"]) == ("ok", copy.stat().st_size)
    with contextlib.closing(open_reader(copy)) as connection:
        assert connection.execute("SELECT count(*) FROM minute").fetchone() == (said["rows"]["minute"],)
    assert "checked and sound" in run(plant).stdout


def test_the_newest_copies_are_kept(plant: pathlib.Path) -> None:
    """Three of five nights; files of another name in that folder are nobody's to delete."""
    folder = plant.parent / "backups"
    folder.mkdir()
    for name in ("rack_notes.db", "other_20200101T000000Z.db"):
        (folder / name).write_text("mine")
    settings = load_plant(plant)
    made = [back_up(settings, plant.with_suffix(".db"), now_s=NOW_S + night * DAY_S) for night in range(5)]

    assert [path.name[:13] for path in kept_copies(settings, plant.with_suffix(".db"))] == [
        backup.copied.path.name[:13] for backup in reversed(made[2:])
    ]
    assert [len(backup.dropped) for backup in made] == [0, 0, 0, 1, 1]
    assert min(path.name for path in folder.iterdir()) == "other_20200101T000000Z.db"
    assert (folder / "rack_notes.db").exists()


def test_a_copy_that_was_just_made_stays(plant: pathlib.Path) -> None:
    """With a clock that has fallen back, it is the oldest by name and yet the one to keep."""
    settings = load_plant(plant)
    for night in range(3):
        back_up(settings, plant.with_suffix(".db"), now_s=NOW_S + night * DAY_S)
    made = back_up(settings, plant.with_suffix(".db"), now_s=NOW_S - 900 * DAY_S)

    assert made.copied.path in made.kept
    assert made.copied.path.exists()
    assert len(made.kept) == 3


def test_a_copy_to_a_named_file_drops_none(plant: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """A copy on a stick; one made there before is replaced."""
    stick = tmp_path / "stick.db"
    assert run(plant, "--to", stick).exit_code == 0
    assert run(plant, "--to", stick).exit_code == 0
    assert not (plant.parent / "backups").exists()
    with contextlib.closing(open_reader(stick)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.parametrize(
    ("to", "why"),
    [
        ("rack.db", "this is the database itself"),
        ("rack.db-wal", "this is the database itself"),
        ("rack.toml", "a file of another kind"),
        (".", "this is a folder; name a file in it"),
        ("nowhere/copy.db", "is not there; make it first"),
    ],
)
def test_what_is_not_written_over(plant: pathlib.Path, to: str, why: str) -> None:
    """The database, other people's files and folders stay as they are."""
    before = plant.read_bytes()
    said = run(plant, "--to", plant.parent / to)

    assert isinstance(said.exception, OutputUnwritable)
    assert why in str(said.exception)
    assert plant.read_bytes() == before


def test_the_check_is_noted(plant: pathlib.Path) -> None:
    """What was found, and when, is there for `clearbore status`."""
    assert run(plant, "--check").exit_code == 0
    with contextlib.closing(open_reader(plant.with_suffix(".db"))) as connection:
        notes = read_notes(connection)

    assert notes["integrity"].body == {"good": True, "words": "ok"}
    assert "backup" not in notes


def test_damage_is_named_and_noted(plant: pathlib.Path) -> None:
    """An index that lacks its rows: the check ends with 74, says what to do, and status can tell later."""
    database = plant.with_suffix(".db")
    with contextlib.closing(sqlite3.connect(database)) as connection:
        connection.executescript(
            "INSERT INTO quarantine VALUES (1, 'x', 1, 'y', 'z', 0, 1); PRAGMA writable_schema = ON;"
            "UPDATE sqlite_master SET rootpage = (SELECT rootpage FROM sqlite_master WHERE name = 'job_run_of')"
            " WHERE name = 'quarantine_once'"
        )
    for options in (["--check"], []):
        said = run(plant, *options)
        assert isinstance(said.exception, StoreError)
        assert "damaged" in str(said.exception)
        with contextlib.closing(open_reader(database)) as connection:
            assert read_notes(connection)["integrity"].body["good"] is False
    assert list((plant.parent / "backups").iterdir()) == []


def test_no_database(plant: pathlib.Path) -> None:
    """Nothing to copy is said, and nothing is made."""
    assert isinstance(run(plant, "--db", plant.parent / "none.db").exception, InputMissing)
    assert not (plant.parent / "none.db").exists()


def test_another_programs_database_is_refused(plant: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """A copy of the wrong file would be no backup."""
    with contextlib.closing(sqlite3.connect(tmp_path / "else.db")) as connection:
        connection.execute("CREATE TABLE t (a)")
    said = run(plant, "--db", tmp_path / "else.db")

    assert isinstance(said.exception, StoreError)
    assert "not a Clearbore database" in str(said.exception)


def test_a_database_of_another_version_is_copied_too(plant: pathlib.Path) -> None:
    """Before an update is when a copy is wanted."""
    with contextlib.closing(sqlite3.connect(plant.with_suffix(".db"))) as connection:
        connection.execute("PRAGMA user_version = 900")
    assert run(plant).exit_code == 0


def test_a_stick_that_is_not_there(plant: pathlib.Path) -> None:
    """The folder of copies is made beside the plant file, never a path to a stick that is not plugged in."""
    plant.write_text(plant.read_text() + 'backup_folder = "/nowhere/stick/copies"\n')
    said = run(plant)

    assert isinstance(said.exception, ClearboreError)
    assert "Is the stick plugged in?" in str(said.exception)


def test_a_copy_restores_what_was_there(plant: pathlib.Path) -> None:
    """The way that README tells: the copy in the database's place, and what lay beside the old one gone."""
    database = plant.with_suffix(".db")
    made = back_up(load_plant(plant), database, now_s=NOW_S)
    for path in plant.parent.glob("rack.db*"):
        path.unlink()
    shutil.copy(made.copied.path, database)

    assert prepare_store(database) is None
    with contextlib.closing(open_reader(database)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)

"""`clearbore journal` as a program."""

import json
import pathlib
import subprocess

import pytest

from tests.support.plant_files import REEF


@pytest.fixture
def plant(tmp_path: pathlib.Path) -> pathlib.Path:
    """A sound plant file in Lisbon's time zone."""
    file = tmp_path / "reef.toml"
    file.write_text(REEF + '\n[[meter]]\nname = "L1"\npulses_per_litre = 450\n', encoding="utf-8")
    return file


def journal(*arguments: str | pathlib.Path) -> subprocess.CompletedProcess[str]:
    """Run the command."""
    return subprocess.run(["clearbore", "journal", *arguments], capture_output=True, text=True, check=False)


def entries(plant: pathlib.Path) -> list[dict[str, object]]:
    """The journal for machines."""
    found = json.loads(journal(plant, "--json").stdout)["entries"]
    assert isinstance(found, list)
    return found


def test_an_entry_is_written_down_in_local_time(plant: pathlib.Path) -> None:
    """Summer in Lisbon is an hour ahead of UTC."""
    done = journal(plant, "maintenance", "display", "valve_set", "--at", "2025-07-01T12:30")
    assert done.returncode == 0
    assert "2025-07-01 12:30 (Europe/Lisbon)" in done.stderr
    assert entries(plant) == [
        {
            "id": 1,
            "at": "2025-07-01T11:30:00Z",
            "kind": "maintenance",
            "target": "display",
            "value": "valve_set",
            "source": "by hand",
        }
    ]


def test_a_time_with_z_is_utc(plant: pathlib.Path) -> None:
    """Whatever the plant's zone."""
    journal(plant, "pump_speed", "pump", "85 %", "--at", "2025-07-01T12:30:00Z")
    assert [(entry["at"], entry["value"]) for entry in entries(plant)] == [("2025-07-01T12:30:00Z", "85")]


def test_the_same_entry_twice_is_one(plant: pathlib.Path) -> None:
    """The second time says so."""
    for _time in range(2):
        done = journal(plant, "calibration", "L1", "447.5", "--at", "2025-07-01T12:30")
    assert "already in the journal" in done.stderr
    assert len(entries(plant)) == 1


def test_the_table_is_for_people(plant: pathlib.Path) -> None:
    """Local times, aligned columns, the number to remove an entry by."""
    journal(plant, "feed_pause", "pump", "10", "--at", "2025-07-01T12:30")
    lines = journal(plant).stdout.splitlines()
    assert lines[0].split() == ["id", "time", "(Europe/Lisbon)", "kind", "target", "value", "from"]
    assert lines[1].split() == ["1", "2025-07-01", "12:30", "feed_pause", "pump", "10", "by", "hand"]


def test_a_wrong_entry_is_taken_out(plant: pathlib.Path) -> None:
    """By its number; a number that is not there is an error."""
    journal(plant, "feed_pause", "pump", "10", "--at", "2025-07-01T12:30")
    assert journal(plant, "--remove", "1").returncode == 0
    assert entries(plant) == []
    done = journal(plant, "--remove", "1")
    assert done.returncode == 66
    assert "no entry 1" in done.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["maintenance", "display"], "three words"),
        (["repair", "display", "valve_set"], "pump_speed, feed_pause, maintenance, calibration"),
        (["maintenance", "display", "painted"], "media_changed"),
        (["maintenance", "attic", "valve_set"], "one of riser, display"),
        (["maintenance", "display", "pump_cleaned"], "write pump"),
        (["pump_speed", "pump", "fast"], "like 87.5"),
        (["pump_speed", "pump", "0"], "above 0"),
        (["pump_speed", "pump", "nan"], "above 0"),
        (["pump_speed", "pump", "0.8"], "would be 0.8 per cent of full speed"),
        (["feed_pause", "display", "10"], "write pump"),
        (["calibration", "display", "450"], "not a meter"),
        (["calibration", "L1", "4.5e-9"], "times off the plant file's figure for L1 (450)"),
        (["calibration", "L1", "44000"], "count the pulses and the litres again"),
        (["feed_pause", "pump", "10", "--at", "noon"], "2026-11-03T14:30"),
        (["feed_pause", "pump", "10", "--at", "2025-03-30T01:30"], "skip this time"),
        (["feed_pause", "pump", "10", "--at", "1980-01-01T00:00"], "between the year 2000"),
        (["--at", "2025-03-30T03:30"], "needs an entry"),
        (["feed_pause", "pump", "10", "--remove", "1"], "stands alone"),
    ],
)
def test_a_wrong_entry_says_what_to_write(plant: pathlib.Path, arguments: list[str], words: str) -> None:
    """Usage errors, each with the way out; nothing is written."""
    done = journal(plant, *arguments)
    assert done.returncode == 2
    assert words in " ".join(done.stderr.split())
    assert not plant.with_suffix(".db").exists()


def test_a_journal_without_a_database_is_missing_input(plant: pathlib.Path) -> None:
    """Listing makes no database."""
    done = journal(plant)
    assert done.returncode == 66
    assert "there is no such database" in done.stderr
    assert not plant.with_suffix(".db").exists()

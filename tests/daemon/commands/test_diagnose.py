"""`clearbore diagnose`, on logs of the simulated rack."""

import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from config.errors import InputMissing
from tests.support.simulated_log import loaded, log_of, run
from tests.support.simulated_rack import PLANT
from tests.support.simulated_stories import told

TIME = {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$"}
CANDIDATES = {
    "type": "array",
    "minItems": 1,
    "items": {
        "type": "object",
        "required": ["kind", "subject", "probability", "flow_change_percent", "could_be"],
        "properties": {
            "kind": {"enum": ["restriction", "opening", "supply", "meter"]},
            "subject": {"type": ["string", "null"]},
            "probability": {"type": "number", "minimum": 0, "maximum": 1},
            "flow_change_percent": {"type": "number"},
            "could_be": {"type": "array", "minItems": 1, "items": {"type": "string"}},
        },
    },
}
FINDING = {
    "type": "object",
    "required": ["id", "raised_at", "cleared_at", "status", "candidates", "history", "action"],
    "properties": {
        "id": {"type": "string"},
        "raised_at": TIME,
        "cleared_at": {"anyOf": [TIME, {"type": "null"}]},
        "status": {"enum": ["Good", "Failure", "Function check", "Out of specification", "Maintenance required"]},
        "candidates": CANDIDATES,
        "history": {
            "type": "array",
            "minItems": 1,
            "items": {
                "type": "object",
                "required": ["at", "candidates"],
                "properties": {"at": TIME, "candidates": CANDIDATES},
            },
        },
        "action": {"type": "string", "minLength": 1},
    },
}
SCHEMA = {
    "type": "object",
    "required": ["findings", "forecasts", "isolability"],
    "properties": {
        "findings": {"type": "array", "items": FINDING},
        "forecasts": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["made_at", "run", "below_target_at", "low", "high"],
                "properties": {
                    "run": {"type": "string"},
                    **dict.fromkeys(("made_at", "below_target_at", "low", "high"), TIME),
                },
            },
        },
        "isolability": {
            "type": "array",
            "minItems": 1,
            "items": {
                "type": "object",
                "required": ["first", "second", "hours"],
                "properties": {
                    "first": {"type": "string"},
                    "second": {"type": "string"},
                    "hours": {"type": ["number", "null"]},
                },
            },
        },
    },
}
"""What `diagnose --json` promises; further keys are free."""


@pytest.fixture(scope="module")
def clogging(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The rack whose carbon clogs from the 11th of September 2026, commissioned on its first week."""
    plant = loaded(tmp_path_factory.mktemp("clogging"), told("carbon clogs").frame)
    assert run("commission", plant).exit_code == 0
    return plant


@pytest.fixture
def copied(clogging: Path, tmp_path: Path) -> Path:
    """The same in a place of its own."""
    shutil.copy(clogging, tmp_path)
    shutil.copy(clogging.with_suffix(".db"), tmp_path)
    return tmp_path / clogging.name


def diagnosis(plant: Path, *words: str) -> dict[str, Any]:
    """The JSON object."""
    found: dict[str, Any] = json.loads(run("diagnose", plant, "--json", *words).stdout)
    return found


def test_a_finding_is_an_active_alarm(clogging: Path) -> None:
    """Exit code 1, the cause with how sure it is, what to do, the forecast and the caution."""
    done = run("diagnose", clogging)

    assert (done.exit_code, done.stderr) == (1, "")
    for text in (
        "carbon is restricted",
        "clogged granular carbon",
        "What to do:",
        "falls below its target on 2026-",
        "carbon (M4)",
        "An alarm is no substitute for looking at the animals.",
    ):
        assert text in done.stdout
    assert re.search(r"carbon +\d+ L/h +\d+ L/h +330 to 700 L/h", done.stdout)


def test_healthy_days_are_fine(clogging: Path) -> None:
    """Until the day before it began to clog nothing is wrong: exit code 0."""
    done = run("diagnose", clogging, "--until", "2026-09-10T12:00")

    assert done.exit_code == 0
    assert "Nothing is wrong" in done.stdout
    assert "readings up to 2026-09-10 12:00" in done.stdout


def test_json_is_as_promised(clogging: Path) -> None:
    """Alone on standard output, the text on standard error, and the exit code the same."""
    done = run("diagnose", clogging, "--json")
    found = json.loads(done.stdout)

    jsonschema.Draft202012Validator(SCHEMA).validate(found)
    assert done.exit_code == 1
    assert "carbon is restricted" in done.stderr
    assert found["findings"]
    assert found["forecasts"]


def test_what_is_said_through_the_store_is_what_the_analysis_says(clogging: Path) -> None:
    """Counts, minutes and hours in between change nothing but the rounding of counts."""
    (expected,) = told("carbon clogs").assessment.findings

    (finding,) = diagnosis(clogging)["findings"]

    assert finding["candidates"][0]["subject"] == expected.candidates[0].subject
    assert finding["candidates"][0]["flow_change_percent"] == pytest.approx(
        expected.candidates[0].flow_change_percent, abs=1.5
    )


def test_until_uses_nothing_later(clogging: Path) -> None:
    """Opinions up to a time are the same as in the whole."""
    at = "2026-09-14T00:00:00Z"
    whole, part = diagnosis(clogging), diagnosis(clogging, "--until", at)

    assert part["now"] == at
    (one,), (other,) = part["findings"], whole["findings"]
    assert (one["id"], one["raised_at"]) == (other["id"], other["raised_at"])
    noted = [opinion for opinion in other["history"] if opinion["at"] <= at]
    assert one["history"][: len(noted)] == noted
    assert all(opinion["at"] <= at for opinion in one["history"])
    assert part["forecasts"] == [forecast for forecast in whole["forecasts"] if forecast["made_at"] <= at]


def test_until_without_a_zone_is_the_plants_clock(clogging: Path, tmp_path: Path) -> None:
    """Noon in Tokyo is three in the morning, UTC."""
    plant = tmp_path / "gully.toml"
    plant.write_text(PLANT.replace("Atlantic/Azores", "Asia/Tokyo"), encoding="utf-8")

    words = ("--db", str(clogging.with_suffix(".db")), "--until", "2026-09-10T12:00")

    assert diagnosis(plant, *words)["now"] == "2026-09-10T03:00:00Z"


def test_a_time_that_is_none(clogging: Path) -> None:
    """Exit code 2, the option and an example."""
    done = run("diagnose", clogging, "--until", "soon")

    assert done.exit_code == 2
    assert "--until" in done.stderr


def test_until_before_the_commissioning_ended(clogging: Path) -> None:
    """There is nothing to judge yet."""
    done = run("diagnose", clogging, "--until", "2026-09-05T00:00Z")

    assert isinstance(done.exception, InputMissing)
    assert "up to the time asked for" in str(done.exception)


def test_a_changed_plant_wants_commissioning_anew(copied: Path) -> None:
    """A longer pipe is another plant: refused, with the command that helps."""
    copied.write_text(PLANT.replace('length = "90 cm"', 'length = "95 cm"'), encoding="utf-8")

    done = run("diagnose", copied)

    assert isinstance(done.exception, InputMissing)
    assert "has changed since the plant was commissioned" in str(done.exception)
    assert f"clearbore commission {copied}" in str(done.exception)
    assert run("commission", copied).exit_code == 0
    assert run("diagnose", copied).exit_code == 1


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('low = "330 L/h"', 'low = "300 L/h"'),
        ('flow_unit = "L/h"', 'flow_unit = "gal/h"'),
        ('name = "Slate gully"', 'name = "Basalt gully"'),
        ("Atlantic/Azores", "Europe/Lisbon"),
        ('length = "70 cm"', 'length = "0.70 m"'),
    ],
)
def test_targets_and_names_may_change(copied: Path, old: str, new: str) -> None:
    """What does not touch the water leaves the commissioning good."""
    assert old in PLANT
    copied.write_text(PLANT.replace(old, new), encoding="utf-8")

    assert run("diagnose", copied, "--until", "2026-09-09T00:00Z").exit_code == 0


def test_an_uncommissioned_plant(tmp_path: Path) -> None:
    """Refused, with the command that helps."""
    plant = loaded(tmp_path, told("healthy").frame)

    done = run("diagnose", plant)

    assert isinstance(done.exception, InputMissing)
    assert f"clearbore commission {plant}" in str(done.exception)


@pytest.mark.parametrize(("text", "code"), [(PLANT, 66), ("[plant]\n", 78)])
def test_exit_codes(tmp_path: Path, text: str, code: int) -> None:
    """66 without a database, 78 with a faulty plant file: one message, no traceback."""
    plant = tmp_path / "gully.toml"
    plant.write_text(text, encoding="utf-8")

    done = subprocess.run(["clearbore", "diagnose", str(plant), "--json"], capture_output=True, text=True, check=False)

    assert done.returncode == code
    assert done.stdout == ""
    assert "Traceback" not in done.stderr


def test_a_cleared_finding_is_no_alarm(tmp_path: Path) -> None:
    """New media, written in the journal: over and done, with what it gained, and exit code 0."""
    plant = loaded(tmp_path, told("media changed").frame)
    journal = tmp_path / "events.csv"
    journal.write_text(
        "time_utc,kind,target,value\n2026-09-15T03:30:00Z,maintenance,carbon,media_changed\n", encoding="utf-8"
    )
    assert run("load", plant, tmp_path / "gully.csv.gz", "--events", journal).exit_code == 0
    assert run("commission", plant).exit_code == 0

    done = run("diagnose", plant, "--json")
    found = json.loads(done.stdout)

    assert done.exit_code == 0
    assert "Over and done:" in done.stderr
    (recovery,) = found["recoveries"]
    assert (recovery["subject"], recovery["job"]) == ("carbon", "media_changed")
    assert recovery["now_percent_of_commissioned"] == pytest.approx(100.0, abs=3.0)
    assert found["findings"][0]["status"] == "Good"


def test_a_silent_meter_is_not_called_well(tmp_path: Path) -> None:
    """No finding is open, but the carbon's meter has said nothing for two days: it is named, in text and in JSON."""
    plant, log = tmp_path / "gully.toml", tmp_path / "gully.csv"
    plant.write_text(PLANT, encoding="utf-8")
    lines = log_of(told("healthy").frame).splitlines()
    log.write_text("\n".join(line for line in lines if ",M4," not in line or line < "2026-09-17"), encoding="utf-8")
    assert run("load", plant, log).exit_code == 0
    assert run("commission", plant).exit_code == 0

    done = run("diagnose", plant, "--json")
    states = {meter["name"]: meter for meter in json.loads(done.stdout)["meters"]}

    assert done.exit_code == 0
    assert "Nothing is wrong" not in done.stderr
    assert "[Failure] M4: no reading" in done.stderr
    assert states["M4"]["status"] == "Failure"
    assert states["M4"]["flow_l_per_h"] is None
    assert states["M1"]["status"] == "Good"

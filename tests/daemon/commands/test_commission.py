"""`clearbore commission`, on the simulated rack's log."""

import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from config.errors import InputMissing, PlantFileError
from tests.support.simulated_log import loaded, run
from tests.support.simulated_rack import PLANT, START_S, Truth, hours_of, plant_file
from tests.support.simulated_stories import told


@pytest.fixture(scope="module")
def rack(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The rack's plant file, eighteen healthy days in the database beside it."""
    return loaded(tmp_path_factory.mktemp("rack"), told("healthy").frame)


def test_says_what_it_learned(rack: Path) -> None:
    """Days, every meter with its run, flow in the keeper's unit and wander, every branch with its interval."""
    done = run("commission", rack)

    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout.startswith("Commissioned on 7.0 days, 2026-09-01 00:00 to 2026-09-08 00:00 (times by")
    for name in ("M1", "M2", "M3", "M4", "return", "uv", "scrubber", "carbon", "head of the pump", "L/h", "(90 %)"):
        assert name in done.stdout


def test_json_alone_on_standard_output(rack: Path) -> None:
    """One object with units in its keys; people's text goes to standard error."""
    done = run("commission", rack, "--json")
    found = json.loads(done.stdout)

    assert done.exit_code == 0
    assert done.stderr.startswith("Commissioned on")
    assert set(found) == {
        "from", "to", "speed", "pump_head_factor", "pump_head_log_sd", "meters", "gauges", "gauges_left_out", "branches",
        "meters_left_out", "meters_joined",
        "figures", "warnings"
    }  # fmt: skip
    assert [meter["name"] for meter in found["meters"]] == ["M1", "M2", "M3", "M4"]
    assert set(found["meters"][0]) == {"name", "flow_l_per_h", "gain", "wander_sd", "wander_tau_h"}
    assert set(found["branches"][0]) == {"run", "resistance_factor", "resistance_log_sd", "determined"}


def test_flow_is_that_of_the_log(rack: Path) -> None:
    """The carbon's 500 L/h came through counts, minutes and hours as it went in (0.5 %, its wander is 0.8 %)."""
    story = told("healthy")
    expected = story.baseline.flow_m3s * 3.6e6

    found = json.loads(run("commission", rack, "--json").stdout)

    assert [meter["flow_l_per_h"] for meter in found["meters"]] == pytest.approx(expected, rel=0.005)


def test_days_are_given(rack: Path) -> None:
    """Times without a zone are by the plant's clock, which is UTC in an Azorean summer."""
    found = json.loads(
        run("commission", rack, "--json", "--from", "2026-09-03T00:00", "--to", "2026-09-07T00:00Z").stdout
    )

    assert (found["from"], found["to"]) == ("2026-09-03T00:00:00Z", "2026-09-07T00:00:00Z")


def test_too_few_hours_keep_nothing(rack: Path, tmp_path: Path) -> None:
    """Refused with what is needed; the plant stays uncommissioned."""
    plant = tmp_path / rack.name
    shutil.copy(rack, plant)
    shutil.copy(rack.with_suffix(".db"), plant.with_suffix(".db"))

    done = run("commission", plant, "--to", "2026-09-02T00:00Z")

    assert isinstance(done.exception, InputMissing)
    assert "48 healthy hours" in str(done.exception)
    assert done.stdout == ""


def test_no_readings_in_that_time(rack: Path) -> None:
    """A time after the last reading holds none."""
    done = run("commission", rack, "--from", "2027-01-01T00:00Z")

    assert isinstance(done.exception, InputMissing)


def test_a_time_that_is_none(rack: Path) -> None:
    """Exit code 2, the option and an example."""
    done = run("commission", rack, "--from", "yesterday")

    assert done.exit_code == 2
    assert "--from" in done.stderr
    assert "2026-11-22T14:00" in done.stderr


def test_times_the_wrong_way_round(rack: Path) -> None:
    """Exit code 2: not told as a want of readings."""
    done = run("commission", rack, "--from", "2026-09-08", "--to", "2026-09-01")

    assert done.exit_code == 2
    assert "--from 2026-09-08 is not before --to 2026-09-01" in done.stderr


def test_plant_faults(tmp_path: Path) -> None:
    """Faults of the plant file come before all else."""
    plant = tmp_path / "gully.toml"
    plant.write_text(PLANT.replace('from = "tee 1"', 'from = "tea 1"', 1), encoding="utf-8")

    assert isinstance(run("commission", plant).exception, PlantFileError)


@pytest.mark.parametrize(("text", "code"), [(PLANT, 66), ("[plant]\n", 78)])
def test_exit_codes(tmp_path: Path, text: str, code: int) -> None:
    """66 without a database, 78 with a faulty plant file: one message, no traceback."""
    plant = tmp_path / "gully.toml"
    plant.write_text(text, encoding="utf-8")

    done = subprocess.run(["clearbore", "commission", str(plant)], capture_output=True, text=True, check=False)

    assert done.returncode == code
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert str(plant.with_suffix("")) in done.stderr


def test_keepers_unit(tmp_path: Path) -> None:
    """US gallons where the plant file says so: 1162 gal/h of 4400 L/h."""
    plant = loaded(tmp_path, told("healthy").frame, text=PLANT.replace('"L/h"\ntimezone', '"gal/h"\ntimezone'))

    text = run("commission", plant).stdout

    assert "gal/h" in text
    assert "L/h" not in text


def test_what_the_meters_tell_is_in_words(rack: Path) -> None:
    """Every fitted figure has its line: interval, the catalogue's, the share known from meters, what it moves with."""
    text = run("commission", rack).stdout

    for name in ("losses of return", "head of the pump", "reading of M4"):
        (line,) = [line for line in text.splitlines() if line.startswith(f"  {name}")]
        assert " to " in line
        assert line.split()[-1].startswith("(")
        assert "%" in line
    assert "0.61 to 1.64" in text


def test_what_the_meters_tell_is_in_json(rack: Path) -> None:
    """The same for machines, with the keys that they rely on."""
    figures = json.loads(run("commission", rack, "--json").stdout)["figures"]

    assert [figure["kind"] for figure in figures].count("head") == 1
    for figure in figures:
        assert set(figure) == {
            "kind", "subject", "factor", "factor_low", "factor_high", "catalogue_low", "catalogue_high",
            "share_from_meters", "moves_with", "correlation", "told_apart",
        }  # fmt: skip
        assert figure["told_apart"] == (abs(figure["correlation"]) < 0.8)


def test_a_dead_meter_does_not_hold_up_the_others(tmp_path: Path) -> None:
    """It is named with what to do, judged by nobody, and commissioned alone once it works."""
    mended_h = 9 * 24
    dead = Truth(reading={"M3": np.where(np.arange(18 * 24) < mended_h, 0.0, 1.0)})
    rack = loaded(tmp_path, hours_of(plant_file(), days=18, seed=5, truth=dead))
    mended = f"{np.datetime64(START_S + mended_h * 3600, 's')}Z"

    first = run("commission", rack)
    between = run("diagnose", rack)
    page = tmp_path / "report.html"
    assert run("report", rack, "--out", page).exit_code == 0
    joined = run("commission", rack, "--meter", "M3", "--from", mended)
    after = run("diagnose", rack)
    known = json.loads(run("diagnose", rack, "--json").stdout)

    assert first.exit_code == 0
    assert "Look at this: M3: no flow in most of the healthy days" in first.stdout
    assert between.exit_code == 0
    assert "Meter M3 (scrubber) was left out of the commissioning" in between.stdout
    assert "Mend the meter" in page.read_text(encoding="utf-8")
    assert (joined.exit_code, joined.stderr) == (0, "")
    assert f"M3 joined later: it counts from {mended[:10]} 00:00 on." in joined.stdout
    assert after.exit_code == 0
    assert "left out" not in after.stdout
    assert [meter["name"] for meter in known["meters"]] == ["M1", "M2", "M3", "M4"]
    assert known["findings"] == known["meters_not_commissioned"] == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ("--meter", "M9", "--from", "2026-09-03"),
            "no run of the plant file has this meter; they have M1, M2, M3, M4",
        ),
        (("--meter", "M3"), "needs --from"),
    ],
)
def test_a_meter_alone_is_asked_for_rightly(rack: Path, words: tuple[str, ...], said: str) -> None:
    """Wrong usage is told."""
    done = run("commission", rack, *words)

    assert done.exit_code == 2
    assert said in done.stderr


def test_a_commissioned_meter_does_not_join_again(rack: Path) -> None:
    """Then all are to be commissioned anew."""
    assert run("commission", rack).exit_code == 0

    done = run("commission", rack, "--meter", "M3", "--from", "2026-09-03")

    assert isinstance(done.exception, InputMissing)
    assert "M3: it is commissioned" in str(done.exception)

"""A pump that turns slower than is known, from the files of its flows and its power to what the keeper reads."""

import csv
import json
from pathlib import Path

import pytest

from analysis.report.words import SPACE
from tests.support.simulated_log import commissioned_rack, run
from tests.support.simulated_rack import FIGURES, PLANT, POWER, SPEED_LINE, Truth, stepped

DAYS, SEED = 12, 5
NAME = "pump power"
TEXT = PLANT.replace(SPEED_LINE, FIGURES) + POWER


@pytest.fixture(scope="module")
def rack(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plant file of a rack whose pump loses a twentieth of its speed on the ninth day, beside its database."""
    slower = Truth(speed=stepped(DAYS * 24, 200, 0.95))
    return commissioned_rack(tmp_path_factory.mktemp("rack"), slower, text=TEXT, days=DAYS, seed=SEED)


def test_commissioning_shows_it(rack: Path) -> None:
    """What it draws, in its own unit, and how it wanders."""
    shown = run("commission", rack).stdout
    (gauge,) = json.loads(run("commission", rack, "--json").stdout)["gauges"]

    (line,) = (line for line in shown.splitlines() if line.startswith(NAME) and " W " in line)
    assert float(line.removeprefix(NAME).split()[0]) == pytest.approx(gauge["power_w"], rel=1e-3)
    assert gauge["reads"] == "power"
    assert gauge["gain"] == pytest.approx(1.0, abs=0.03)


def test_diagnosis_takes_the_supply_apart(rack: Path) -> None:
    """By the power; the impeller is not ruled out, the intake is."""
    done = run("diagnose", rack)
    known = json.loads(run("diagnose", rack, "--json").stdout)
    (finding,) = known["findings"]
    (gauge,) = known["gauges"]
    parts = {candidate["part"]: candidate["probability"] for candidate in finding["candidates"]}

    assert "the pump's speed has changed" in done.stdout
    assert parts["speed"] > 0.5
    assert 0.01 < parts["impeller"] < 0.5
    assert parts.get("intake or trunk", 0.0) < 0.05
    assert gauge["run"] is None
    assert gauge["power_w"] < 0.9 * gauge["commissioned_w"]


def test_check_goes_by_it(rack: Path) -> None:
    """The gauge, and the pairs at the supply that it tells apart; what no flow meter tells is not said of it."""
    shown = run("check", rack, "--pairs").stdout
    pairs = {
        frozenset((pair["first"], pair["second"])): pair["hours"]
        for pair in json.loads(run("check", rack, "--json").stdout)["isolability"]
    }

    assert f"gauge {NAME}: power that the pump draws, from files in W" in shown
    assert "the impeller is worn or fouled, or the intake or trunk has changed" in shown.replace(": ", ", ")
    assert f"gauge {NAME} reads wrong or the motor has changed" in shown
    assert "at the supply, a fouled impeller from a blocked intake" not in shown
    assert pairs[frozenset(("supply:speed", "supply:intake or trunk"))] is not None
    assert pairs[frozenset(("supply:impeller", "supply:intake or trunk"))] is None


def test_the_report_says_it(rack: Path, tmp_path: Path) -> None:
    """The part of the supply in words, on the page and for machines."""
    done = run("report", rack, "--out", tmp_path / "report.html")

    assert done.exit_code == 0, done.output
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "the pump&#39;s speed has changed" in text or "the pump's speed has changed" in text


def test_the_report_draws_it(rack: Path, tmp_path: Path) -> None:
    """In watts beside what was expected and commissioned, with its trend; for machines too."""
    page = tmp_path / "report.html"
    assert run("report", rack, "--out", page).exit_code == 0
    (told,) = json.loads(run("report", rack, "--json").stdout)["gauges"]
    (known,) = json.loads(run("diagnose", rack, "--json").stdout)["gauges"]

    text = page.read_text(encoding="utf-8")
    assert f"Power at gauge {NAME} in W" in text
    assert f"Last day {known['power_w']:.4g}{SPACE}W, expected {known['commissioned_w']:.4g}{SPACE}W" in text
    assert (told["name"], told["reads"], told["unit"]) == (NAME, "power", "W")
    assert told["last_day"] == pytest.approx(known["power_w"], rel=1e-6)
    assert told["expected"] == told["commissioned"] == pytest.approx(known["commissioned_w"], rel=1e-6)
    assert told["trend"]["days"] > 0


def test_it_is_exported_by_the_hour(rack: Path, tmp_path: Path) -> None:
    """As it was loaded, in its own unit."""
    out = tmp_path / "hours.csv"
    assert run("export", rack, "--what", "gauge_hours", "--out", out).exit_code == 0

    with out.open(encoding="utf-8") as file:
        hours = list(csv.DictReader(file))
    assert len(hours) == DAYS * 24
    assert {(hour["gauge"], hour["reads"], hour["unit"]) for hour in hours} == {(NAME, "power", "W")}
    assert 0.8 < float(hours[-1]["median"]) / float(hours[0]["median"]) < 0.9

"""A gauge that drifts, from its file to what the keeper reads."""

import json
from pathlib import Path

import pytest

from tests.support.simulated_log import commissioned_rack, run
from tests.support.simulated_rack import GAUGE, PLANT, Truth, ramped

DAYS, SEED = 14, 5
NAME = "header pressure"
TEXT = PLANT + GAUGE


@pytest.fixture(scope="module")
def rack(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plant file of a rack whose gauge falls by a tenth within five days, beside its database."""
    drift = Truth(reading={NAME: ramped(DAYS * 24, 200, 0.9, over_h=120)})
    return commissioned_rack(tmp_path_factory.mktemp("rack"), drift, text=TEXT, days=DAYS, seed=SEED)


def test_commissioning_shows_it(rack: Path) -> None:
    """Its pressure in its own unit, and how it wanders; for machines in pascals."""
    shown = run("commission", rack).stdout
    known = json.loads(run("commission", rack, "--json").stdout)

    (line,) = (line for line in shown.splitlines() if line.startswith(NAME) and "kPa" in line)
    assert float(line.removeprefix(NAME).split()[1]) * 1000 == pytest.approx(
        known["gauges"][0]["pressure_pa"], rel=1e-3
    )
    assert known["gauges_left_out"] == []
    assert len(known["meters"]) == 4


def test_diagnosis_names_it(rack: Path) -> None:
    """As a gauge, with a row of evidence and its pressure of the last day; the plant is not blamed."""
    done = run("diagnose", rack)
    known = json.loads(run("diagnose", rack, "--json").stdout)
    (finding,) = known["findings"]
    (gauge,) = known["gauges"]

    assert done.exit_code == 1
    assert f"gauge {NAME} reads wrong" in done.stdout
    assert f"meter {NAME}" not in done.stdout
    assert (finding["candidates"][0]["kind"], finding["candidates"][0]["subject"]) == ("meter", NAME)
    assert finding["evidence"][-1]["meter"] == NAME
    assert gauge["pressure_pa"] < 0.95 * gauge["commissioned_pa"]
    assert known["forecasts"] == []


def test_check_goes_by_it(rack: Path) -> None:
    """The plant, its gauge, and what both together tell apart."""
    shown = run("check", rack, "--pairs").stdout

    assert f"gauge {NAME}: pressure at the end of header, from files in kPa" in shown
    assert f"gauge {NAME} reads wrong" in shown
    assert f"meter {NAME}" not in shown
    assert "no flow meter or gauge behind the pump" in shown


def test_the_report_names_it(rack: Path, tmp_path: Path) -> None:
    """In the finding and in its evidence."""
    page = tmp_path / "report.html"
    done = run("report", rack, "--out", page)
    assert done.exit_code == 0, done.output
    text = page.read_text(encoding="utf-8")

    assert "the gauge" in text
    assert "the meter \u2068header pressure" not in text
    assert "Check gauge header pressure" in text

"""`clearbore steptest`, on logs of steps that the EPANET engine solved."""

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from config.errors import InputMissing
from tests.support.simulated_log import run
from tests.support.simulated_rack import PLANT, START_S
from tests.support.stepped_rack import LOW, TRUNK, Fault, log_of

DAY_S = 86_400.0
FIRST_S, FAULT_S, SECOND_S = 7.6 * DAY_S, 9.4 * DAY_S, 11.6 * DAY_S
SPEEDS = ((FIRST_S, 0.8), (FIRST_S + 600, 1.0), (SECOND_S, 0.8), (SECOND_S + 600, 1.0))
DAYS = 12


def utc(second: float) -> str:
    """A time of the log."""
    return f"{np.datetime64(int(START_S + second), 's')}Z"


def prepared(
    folder: Path, *, faults: tuple[tuple[float, Fault], ...], speeds: tuple[tuple[float, float], ...] = SPEEDS
) -> Path:
    """A plant whose log and journal are loaded and that is commissioned on its first week."""
    plant, log, journal = folder / "gully.toml", folder / "gully.csv", folder / "events.csv"
    plant.write_text(PLANT, encoding="utf-8")
    log.write_text(log_of(faults, speeds, days=DAYS, seed=1), encoding="utf-8")
    entries = [f"{utc(at_s)},pump_speed,pump,{100 * speed:g}\n" for at_s, speed in speeds]
    journal.write_text("time_utc,kind,target,value\n" + "".join(entries), encoding="utf-8")
    assert run("load", plant, log, "--events", journal).exit_code == 0
    assert run("commission", plant).exit_code == 0
    return plant


@pytest.fixture(scope="module")
def blocked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A healthy step on the eighth day, a blocked trunk from the tenth, the same step on the twelfth."""
    return prepared(tmp_path_factory.mktemp("blocked"), faults=((FAULT_S, TRUNK),))


@pytest.fixture
def copied(blocked: Path, tmp_path: Path) -> Path:
    """The same in a place of its own."""
    shutil.copy(blocked, tmp_path)
    shutil.copy(blocked.with_suffix(".db"), tmp_path)
    return tmp_path / blocked.name


def said(plant: Path, *words: str) -> dict[str, Any]:
    """The JSON object."""
    done = run("steptest", plant, "--json", *words)
    assert done.exit_code == 0, done.output
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_the_step_names_the_trunk(blocked: Path) -> None:
    """From a third to nearly sure, compared with the healthy step, in words and with evidence."""
    done = run("steptest", blocked)

    assert (done.exit_code, done.stderr) == (0, "")
    for text in (
        "100 % to 80 % and back, 2026-09-12 14:24 to 14:34",
        "Compared with the same on the healthy plant",
        "The step speaks for a blocked intake or trunk (",
        "return (M1)",
        "clean the intake",
        "An alarm is no substitute for looking at the animals.",
    ):
        assert text in done.stdout


def test_json_of_a_reading(blocked: Path) -> None:
    """Probabilities before and after, what was measured and what each cause would have shown."""
    reading = said(blocked)["reading"]
    causes = {cause["part"]: cause for cause in reading["causes"]}

    assert reading["tells"]
    assert reading["explained"]
    assert reading["reference"]["begin"] == utc(FIRST_S)
    assert (reading["step"]["begin"], reading["step"]["speed_during_percent"]) == (utc(SECOND_S), 80.0)
    assert causes["intake or trunk"]["probability"] > 0.9
    assert causes["intake or trunk"]["probability_before"] < 0.4
    (first, *_) = reading["meters"]
    assert first["low_percent"] < first["change_percent"] < first["high_percent"] < 0
    assert causes["intake or trunk"]["change_percent"]["M1"] == pytest.approx(first["change_percent"], abs=1.0)


def test_an_earlier_time_uses_nothing_later(blocked: Path) -> None:
    """Between the steps the first is read, as a step of a healthy plant; a minute into the second, too."""
    early, late = (said(blocked, "--at", utc(at_s)) for at_s in (FIRST_S + 3600, SECOND_S + 300))

    assert early == late
    assert early["reading"]["causes"] == []
    assert early["reading"]["explained"]


def test_a_step_that_has_just_ended_is_read(blocked: Path) -> None:
    """Without what came after it, and with the same answer."""
    reading = said(blocked, "--at", utc(SECOND_S + 630))["reading"]

    assert reading["causes"][0]["part"] == "intake or trunk"
    assert reading["step"]["end"] == utc(SECOND_S + 600)


def test_a_plan_for_the_finding(blocked: Path) -> None:
    """The best step that harms nothing, what is shown, what is decided and what is not, commands and cautions."""
    done = run("steptest", blocked, "--plan")

    assert done.exit_code == 0
    for text in (
        "The finding: The pump delivers",
        "The best of them that starves no branch: 80 %.",
        "a worn or fouled impeller, or a lower pump speed than was set",
        "cannot tell",
        f"clearbore journal {blocked} pump_speed pump 80",
        f"clearbore journal {blocked} pump_speed pump 100",
        "return: stands still",
        "Look at the animals",
        "steriliser",
    ):
        assert text in done.stdout


def test_an_unsafe_step_is_not_recommended(blocked: Path) -> None:
    """It is shown, and neither the commands nor a best step are given."""
    done = run("steptest", blocked, "--to", "60 %", "--json")

    assert "None of these steps is safe to make" in done.stderr
    assert "pump_speed pump" not in done.stderr
    plan = json.loads(done.stdout)["plan"]
    assert (plan["best_speed_percent"], plan["commands"], plan["steps"][0]["safe"]) == (None, [], False)


def test_one_cause_has_nothing_to_decide(tmp_path: Path) -> None:
    """A meter that reads low for certain: no step is planned, and one that was made agrees."""
    plant = prepared(tmp_path, faults=((FAULT_S, LOW),), speeds=SPEEDS[2:])

    assert "a step has nothing to decide" in run("steptest", plant, "--plan").stdout
    assert "only one cause to weigh, and the step agrees with it: meter M4 reads wrong" in run("steptest", plant).stdout


def test_json_of_a_plan(blocked: Path) -> None:
    """The speeds asked for, one step each."""
    plan = said(blocked, "--to", "85 %", "--to", "75 %", "--minutes", "20")["plan"]

    assert [step["speed_percent"] for step in plan["steps"]] == pytest.approx([85.0, 75.0])
    assert plan["minutes"] == 20.0
    assert plan["finding"]
    assert {run["name"] for run in plan["steps"][0]["runs"]} >= {"return", "uv", "scrubber", "carbon"}
    assert plan["commands"][1].endswith("pump_speed pump 100")


def test_a_longer_step_decides_no_less(blocked: Path) -> None:
    """More minutes, less noise."""
    short, long = (
        said(blocked, "--to", "80 %", "--minutes", minutes)["plan"]["steps"][0]["probability_after"]
        for minutes in ("5", "30")
    )

    assert long >= short


def test_begin_and_end_write_the_journal(copied: Path) -> None:
    """Two entries, the second back at the speed from before."""
    at_s = SECOND_S + 7200
    begun = run("steptest", copied, "--begin", "75 %", "--at", utc(at_s), "--json")
    ended = run("steptest", copied, "--end", "--at", utc(at_s + 600))

    assert json.loads(begun.stdout) == {"at": utc(at_s), "kind": "pump_speed", "target": "pump", "value": "75"}
    assert ended.exit_code == 0
    entries = json.loads(run("journal", copied, "--json").stdout)["entries"][-2:]
    assert [(entry["at"], entry["value"]) for entry in entries] == [(utc(at_s), "75"), (utc(at_s + 600), "100")]


@pytest.mark.parametrize("later_s", [3700.0, 600.0])
def test_no_step_to_end(copied: Path, later_s: float) -> None:
    """The last change is an hour ago, or is an end already."""
    if later_s < 3600:
        run("steptest", copied, "--begin", "75 %", "--at", utc(SECOND_S + 7200 - 300))
        run("steptest", copied, "--end", "--at", utc(SECOND_S + 7200))

    done = run("steptest", copied, "--end", "--at", utc(SECOND_S + (7200 + 3700 if later_s < 3600 else 600 + later_s)))

    assert isinstance(done.exception, InputMissing)
    assert "no step is under way" in str(done.exception)


def test_without_a_step(tmp_path: Path) -> None:
    """Exit code 66 and the command that plans one; a step that is too short is told as such."""
    speeds = ((FIRST_S, 0.8), (FIRST_S + 120, 1.0))
    plant = prepared(tmp_path, faults=(), speeds=speeds)

    done = run("steptest", plant)
    none = run("steptest", plant, "--at", utc(FIRST_S - 60))

    assert isinstance(done.exception, InputMissing)
    assert "lasted 2 minutes, which is too short: 3 are the least" in str(done.exception)
    assert f"clearbore steptest {plant} --plan" in str(done.exception)
    assert "too short" not in str(none.exception)


def test_a_plan_without_a_finding(tmp_path: Path) -> None:
    """Examples stand for what this plant tells apart late or never."""
    plant = prepared(tmp_path, faults=())

    done = run("steptest", plant, "--to", "80 %")

    assert done.exit_code == 0
    assert "No finding is open" in done.stdout
    assert "carbon is restricted, or meter M4 reads wrong" in done.stdout


def test_an_uncommissioned_plant(tmp_path: Path) -> None:
    """Refused, with the command that helps."""
    plant, log = tmp_path / "gully.toml", tmp_path / "gully.csv"
    plant.write_text(PLANT, encoding="utf-8")
    log.write_text("time_utc,meter,pulses\n2026-09-01T00:00:00Z,M1,5\n", encoding="utf-8")
    assert run("load", plant, log).exit_code == 0

    for words in ((), ("--plan",)):
        done = run("steptest", plant, *words)
        assert isinstance(done.exception, InputMissing)
        assert f"clearbore commission {plant}" in str(done.exception)


def test_readings_that_are_gone(copied: Path) -> None:
    """The journal knows a step whose minutes were dropped: that is said, and no figure is made up."""
    at_s = DAY_S * 20
    run("journal", copied, "pump_speed", "pump", "80", "--at", utc(-at_s))
    run("journal", copied, "pump_speed", "pump", "100", "--at", utc(-at_s + 600))

    done = run("steptest", copied, "--at", utc(DAY_S))

    assert isinstance(done.exception, InputMissing)
    assert "no readings of the step" in str(done.exception)


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("--to", "80"), "--to"),
        (("--to", "300 %"), "--to"),
        (("--minutes", "2", "--plan"), "--minutes"),
        (("--plan", "--end"), "one at a time"),
        (("--plan", "--at", "2026-09-09T00:00Z"), "a plan is for now"),
        (("--at", "soon"), "--at"),
        (("--begin", "fast"), "--begin"),
        (("--to", "99 %"), "hardly a step: the pump is set to 100 %"),
        (("--begin", "80 %", "--at", "1999-01-01T00:00Z"), "between the year 2000 and tomorrow"),
    ],
)
def test_wrong_usage(blocked: Path, words: tuple[str, ...], text: str) -> None:
    """Exit code 2 and what to write instead."""
    done = run("steptest", blocked, *words)

    assert done.exit_code == 2
    assert text in done.stderr


def test_without_a_database(tmp_path: Path) -> None:
    """66, and nothing on standard output."""
    plant = tmp_path / "gully.toml"
    plant.write_text(PLANT, encoding="utf-8")

    done = run("steptest", plant, "--json")

    assert isinstance(done.exception, InputMissing)
    assert (done.exception.exit_code, done.stdout) == (66, "")

"""`clearbore size`."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from config.errors import ChangeError, InputUnusable
from daemon.commands.size import command

PLANTS = Path(__file__).parents[3] / "config" / "plants"
SIX = str(PLANTS / "six_branches.toml")
TWO = str(PLANTS / "two_branches.toml")
ELBOWS = "steriliser: elbow 90 -> 2 x elbow 45"


def run(*arguments: str) -> Result:
    """What the command does."""
    return CliRunner().invoke(command, list(arguments), catch_exceptions=False)


def json_of(*arguments: str) -> dict[str, Any]:
    """The JSON that the command prints."""
    found: dict[str, Any] = json.loads(run(*arguments, "--json").stdout)
    return found


@pytest.mark.parametrize("name", ["one_branch", "two_branches", "six_branches"])
def test_every_example_plant_can_be_sized(name: str) -> None:
    """Each example plant's own pump does it, and says at which speed and how its valves stand."""
    result = run(str(PLANTS / f"{name}.toml"))

    assert result.exit_code == 0
    assert "just does it at" in result.stdout
    assert "Balanced at" in result.stdout
    assert "impossible" not in result.stdout


def test_json_of_a_sizing() -> None:
    """Duty point, valves and the balanced plant's prediction, with the unit in every key."""
    found = json_of(SIX)

    assert {"flow_l_per_h", "head_m", "head_low_m", "head_high_m", "speed", "branch", "reached"} <= set(found["duty"])
    assert found["duty"]["flow_l_per_h"] == pytest.approx(6740.0, abs=10.0)
    valves = {valve["run"]: valve for valve in found["balance"]["valves"]}
    assert valves["return"]["open_percent"] == 100.0
    assert valves["carbon"]["open_percent"] == pytest.approx(100.0 - valves["carbon"]["closed_deg"] / 0.9, abs=0.01)
    flows = {run["name"]: run["flow_l_per_h"] for run in found["balance"]["prediction"]["runs"]}
    assert flows["carbon"] == pytest.approx(320.0, rel=1e-4)
    assert found["untrimmable"] == ["calcium"]
    assert (found["one_size_bigger"], found["impossible"]) == (None, [])


def test_json_stands_alone_on_standard_output() -> None:
    """With --json the tables go to standard error, whichever they are."""
    for extra in ((), ("--change", ELBOWS)):
        result = run(SIX, "--json", *extra)
        assert len(result.stdout.splitlines()) == 1
        assert "Local codes" in result.stderr


def test_one_size_bigger_is_marked() -> None:
    """A trade's practice is called one, in both outputs."""
    assert "One size bigger, 25% more of both" in run(SIX, "--one-size-bigger").stdout
    assert "common practice, no source" in run(SIX, "--one-size-bigger").stdout
    bigger, duty = (json_of(SIX, "--one-size-bigger")[key] for key in ("one_size_bigger", "duty"))
    assert bigger["flow_l_per_h"] == pytest.approx(1.25 * duty["flow_l_per_h"], rel=1e-5)
    assert bigger["source"] == "common practice, no source"


def test_units_are_the_plants() -> None:
    """A plant in US gallons is told in gallons and feet."""
    shown = run(TWO).stdout

    assert "gal/h at " in shown
    assert " ft (90 %" in shown
    assert "L/h" not in shown


def test_too_small_a_pump_is_told_with_what_it_lacks() -> None:
    """A margin that the pump cannot give: which branch, what it takes, what there is, and what to do."""
    shown = run(SIX, "--margin", "80 %").stdout

    assert "The plant's pump does not: it would have to run at" in shown
    assert "impossible: return: with its valve open it takes" in shown
    assert "short: wider pipe, fewer fittings" in shown
    assert "of its low target with the margin" in shown


def test_a_given_speed_is_balanced_at() -> None:
    """--speed sets the speed of the balance and not that of the duty point."""
    found = json_of(SIX, "--speed", "100 %")

    assert found["balance"]["speed"] == 1.0
    assert found["duty"]["speed"] == pytest.approx(json_of(SIX)["duty"]["speed"], rel=1e-6)


def test_changes_stand_side_by_side() -> None:
    """As built, each change and all of them in one table, with gains, tables of elbows, costs and cautions."""
    shown = run(SIX, "--change", ELBOWS, "--change", "pump: speed 90 %").stdout

    assert f"A: {ELBOWS}" in shown
    assert "all: all of these together" in shown
    assert "Published losses of elbows do not agree. steriliser with A" in shown
    assert "Crane TP-410" in shown
    assert "What costs most as built" in shown
    assert "solvent" in shown
    assert "UV steriliser" in shown
    assert "slower pump starves the highest outlet first" in shown


def test_json_of_changes() -> None:
    """Gains in per cent with their intervals; the last variant holds all changes."""
    found = json_of(SIX, "--change", ELBOWS, "--change", "header*: pipe -> 1-1/2 in sch 40")

    assert [len(variant["changes"]) for variant in found["variants"]] == [1, 1, 2]
    scrubber = next(run for run in found["variants"][1]["runs"] if run["name"] == "scrubber")
    assert 0.0 < scrubber["gain_low_percent"] < scrubber["gain_percent"] < scrubber["gain_high_percent"]
    before = next(run for run in found["as_built"]["runs"] if run["name"] == "scrubber")
    risen = 100.0 * (scrubber["flow_l_per_h"] / before["flow_l_per_h"] - 1.0)
    assert risen == pytest.approx(scrubber["gain_percent"], abs=1e-3)
    assert len(found["costliest"]) == 18
    assert all("gain_if_halved_percent" in cost for cost in found["costliest"])


def test_a_change_with_a_caution_for_lime_water(tmp_path: Path) -> None:
    """Opening a run that holds lime water is warned of."""
    text = Path(SIX).read_text(encoding="utf-8").replace('device = "carbon reactor"', 'device = "lime-water mixer"')
    plant = tmp_path / "lime.toml"
    plant.write_text(text, encoding="utf-8")

    assert "caustic lime water" in run(str(plant), "--change", "carbon: media x 2").stdout
    assert "caustic lime water" not in run(SIX, "--change", "carbon: media x 2").stdout


def test_changes_need_no_targets(tmp_path: Path) -> None:
    """A plant without a target can have changes tried; sizing it is an error that says what to write."""
    lines = Path(TWO).read_text(encoding="utf-8").splitlines()
    plant = tmp_path / "aimless.toml"
    plant.write_text("\n".join(line for line in lines if not line.startswith("target")), encoding="utf-8")

    assert json_of(str(plant), "--change", "pump: speed 90 %")["as_built"]["duty"] is None
    with pytest.raises(InputUnusable, match="no branch has a target"):
        run(str(plant))


def test_a_change_that_cannot_be_read() -> None:
    """The message names the wrong part and the runs that there are."""
    with pytest.raises(ChangeError, match="'carbn': no run has that name, did you mean 'carbon'"):
        run(SIX, "--change", "carbn: media x 2")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--margin", "10"), "write a percentage"),
        (("--margin=-5 %",), "at least"),
        (("--speed", "0 %"), "more than"),
        (("--speed", "90 %", "--change", ELBOWS), "go without --change"),
    ],
)
def test_usage_errors(arguments: tuple[str, ...], said: str) -> None:
    """Exit code 2 and what to write instead."""
    result = run(SIX, *arguments)

    assert result.exit_code == 2
    assert said in result.stderr


def test_the_help_shows_the_syntax_of_changes() -> None:
    """Every sort of edit has an example in the help."""
    shown = run("--help").stdout

    for words in ("up to valve", "2 x elbow 45", "none", "ball_valve 60 %", "media x 2", "outlet 40 cm", "pump: curve"):
        assert words in shown


def test_a_fault_is_told_before_anything_heavy_is_imported() -> None:
    """A fault in the text of a change is told without importing numpy."""
    script = (
        "import sys; from click.testing import CliRunner; from daemon.commands.size import command; "
        f"CliRunner().invoke(command, [{SIX!r}, '--change', 'x: y']); print('numpy' in sys.modules)"
    )

    shown = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout

    assert shown.strip() == "False"

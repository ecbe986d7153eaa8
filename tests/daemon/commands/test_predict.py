"""`clearbore predict`."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from config.errors import OutputUnwritable
from daemon.commands.predict import command

PLANTS = Path(__file__).parents[3] / "config" / "plants"
SIX = str(PLANTS / "six_branches.toml")


def predict_json(*options: str) -> dict[str, object]:
    """The JSON that the command prints for the plant of six branches."""
    result = CliRunner().invoke(command, [SIX, "--json", *options], catch_exceptions=False)
    found: dict[str, object] = json.loads(result.stdout)
    return found


@pytest.mark.parametrize("name", ["one_branch", "two_branches", "six_branches"])
def test_every_example_plant_can_be_predicted(name: str) -> None:
    """Each example plant gives a table with all of its branches on target."""
    result = CliRunner().invoke(command, [str(PLANTS / f"{name}.toml")], catch_exceptions=False)

    assert result.exit_code == 0
    assert "on target" in result.stdout
    assert "too low" not in result.stdout


def test_json_has_the_agreed_keys() -> None:
    """Pump, runs with their losses, and nodes carry the keys that machines rely on."""
    found = predict_json()

    runs = found["runs"]
    assert isinstance(runs, list)
    assert {"flow_l_per_h", "head_m", "speed"} <= set(found["pump"])  # type: ignore[call-overload] # JSON has no types
    wanted = {"name", "flow_l_per_h", "velocity_m_per_s", "head_loss_m", "target_low_l_per_h", "target_high_l_per_h"}
    assert all(wanted | {"within_target", "losses"} <= set(run) for run in runs)
    assert all({"element", "kind", "head_loss_m"} == set(loss) for run in runs for loss in run["losses"])
    assert next(node["name"] for node in found["nodes"]) == "pump"  # type: ignore[attr-defined] # JSON has no types


def test_json_stands_alone_on_standard_output() -> None:
    """With --json the table goes to standard error."""
    result = CliRunner().invoke(command, [SIX, "--json"], catch_exceptions=False)

    assert len(result.stdout.splitlines()) == 1
    assert "Where the head goes" in result.stderr


def test_losses_of_a_run_add_up() -> None:
    """The elements' losses of each run are its head loss, to the digits shown."""
    runs = predict_json()["runs"]

    assert isinstance(runs, list)
    for run in runs:
        total = sum(loss["head_loss_m"] for loss in run["losses"])
        assert total == pytest.approx(run["head_loss_m"], abs=1e-5)


def test_slower_pump_gives_less() -> None:
    """At 80 % speed the return, which stands highest, loses the larger share of its flow."""
    full, slow = predict_json()["runs"], predict_json("--speed", "80 %")["runs"]

    assert isinstance(full, list)
    assert isinstance(slow, list)
    kept = {a["name"]: b["flow_l_per_h"] / a["flow_l_per_h"] for a, b in zip(full, slow, strict=True)}
    assert kept["return"] < min(share for name, share in kept.items() if name not in {"return", "riser"}) < 1.0


def test_a_speed_without_a_unit_is_a_usage_error() -> None:
    """A bare number as speed ends with 2 and says what to write."""
    result = CliRunner().invoke(command, [SIX, "--speed", "80"])

    assert result.exit_code == 2
    assert "write a percentage" in result.stderr


def test_flows_are_in_the_unit_of_the_plant() -> None:
    """A plant that counts in US gallons is answered in them, with heads in feet."""
    result = CliRunner().invoke(command, [str(PLANTS / "two_branches.toml")], catch_exceptions=False)

    assert "gal/h" in result.stdout
    assert " ft" in result.stdout


def test_page_is_written(tmp_path: Path) -> None:
    """With --html the page lands in the file that is named, and the table is printed as always."""
    page = tmp_path / "six.html"
    result = CliRunner().invoke(command, [SIX, "--html", str(page)], catch_exceptions=False)

    assert "on target" in result.stdout
    assert f"page: {page}" in result.stderr
    assert "<h1><bdi" in page.read_text(encoding="utf-8")


def test_page_leaves_json_alone(tmp_path: Path) -> None:
    """With --json and --html standard output is still one JSON object."""
    page = tmp_path / "six.html"

    assert predict_json("--html", str(page))["pump"]
    assert page.exists()


def test_page_that_cannot_be_written_is_an_error(tmp_path: Path) -> None:
    """A folder that is not there is named, with the option that mends it, and no table pretends success."""
    result = CliRunner().invoke(command, [SIX, "--html", str(tmp_path / "nowhere" / "six.html")])

    assert isinstance(result.exception, OutputUnwritable)
    assert "--html" in str(result.exception)
    assert result.stdout == ""


def test_json_says_what_halving_would_give() -> None:
    """Three elements a branch, with what each costs, its share of the way, and the branch's gain if it cost half."""
    costs = predict_json()["costliest"]

    assert isinstance(costs, list)
    assert len(costs) == 3 * 6
    wanted = {"branch", "run", "element", "kind", "head_loss_m", "share_percent", "gain_if_halved_percent"}
    assert all(wanted == set(cost) and cost["gain_if_halved_percent"] > 0.0 for cost in costs)


def test_text_says_what_halving_would_give() -> None:
    """The carbon branch's throttled valve is named with its share and the gain."""
    result = CliRunner().invoke(command, [SIX], catch_exceptions=False)

    line = next(line for line in result.stdout.splitlines() if line.startswith("  carbon"))
    assert line.split("  ")[-1].startswith("+2")
    assert "ball valve, 45 % open" in line
    assert "% of the way" in line


def test_velocities_go_with_the_unit() -> None:
    """A plant in US gallons has its velocities in ft/s and nothing in metres."""
    result = CliRunner().invoke(command, [str(PLANTS / "two_branches.toml")], catch_exceptions=False)

    assert " ft/s" in result.stdout
    assert " m/s" not in result.stdout
    assert " m " not in result.stdout
    assert " mm" not in result.stdout


def test_a_pump_too_weak_is_told() -> None:
    """At 20 % the pump moves no water, the page of text says so first, and no branch is on target."""
    result = CliRunner().invoke(command, [SIX, "--speed", "20 %"], catch_exceptions=False)

    assert "moves no water" in result.stdout.splitlines()[0]
    assert "on target" not in result.stdout
    assert "return: nothing flows outward" in result.stdout


def test_tees_by_split_are_an_option() -> None:
    """With the option the small branches get more, and both text and JSON say how the tees were worked out."""
    fixed, split = predict_json(), predict_json("--tees", "by split")
    result = CliRunner().invoke(command, [SIX, "--tees", "by split"], catch_exceptions=False)

    assert (fixed["tees"], split["tees"]) == ("fixed", "by split")
    assert "how the flow splits" in result.stdout
    flows = [{run["name"]: run["flow_l_per_h"] for run in found["runs"]} for found in (fixed, split)]  # type: ignore[attr-defined] # JSON has no types
    assert flows[1]["scrubber"] > 1.05 * flows[0]["scrubber"]

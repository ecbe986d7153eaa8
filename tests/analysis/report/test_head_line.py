"""The head line loses what the elements cost, and ends where the water comes out."""

import itertools
import xml.etree.ElementTree as ET

import pytest

from analysis.prediction import Prediction, predict
from analysis.report.head_line import HeadLine, head_line_figure, head_lines
from config.plant import Valve, ValveKind
from config.units import show_head
from tests.support.example_plants import example_plant, with_run

SIX = example_plant()


@pytest.fixture(scope="module")
def prediction() -> Prediction:
    """Of the plant of six branches."""
    return predict(SIX)


@pytest.fixture(scope="module")
def lines(prediction: Prediction) -> dict[str, HeadLine]:
    """Its head lines by the run they lead to."""
    return {line.run: line for line in head_lines(SIX, prediction)}


def test_every_branch_has_a_line(lines: dict[str, HeadLine]) -> None:
    """One line a branch, and one along the header that they share."""
    assert list(lines) == ["header 4", *(run.name for run in SIX.branches)]


def test_energy_closes(lines: dict[str, HeadLine], prediction: Prediction) -> None:
    """From the pump's head every line comes down to its outlet, or to the head at its node: Bernoulli's sum."""
    for line in lines.values():
        assert line.from_m == pytest.approx(prediction.pump_head_m)
        # Two forms of the friction law, Colebrook's own and Serghides' explicit one, differ by a ten-millionth.
        assert line.steps[-1].after_m == pytest.approx(line.end_m, abs=1e-5)
        assert line.held_m == 0.0


def test_steps_hang_together(lines: dict[str, HeadLine]) -> None:
    """Each step begins where the last one ended."""
    for line in lines.values():
        assert all(before.after_m == after.before_m for before, after in itertools.pairwise(line.steps))


def test_steps_are_the_elements_of_the_branch(lines: dict[str, HeadLine], prediction: Prediction) -> None:
    """Runs before the branch are a step each, then come its own elements, each with its own loss."""
    steps = lines["carbon"].steps
    carbon = next(run for run in prediction.runs if run.name == "carbon")

    assert [step.name for step in steps[:3]] == ["riser", "header 1", "header 2"]
    assert [step.name for step in steps[3:]] == [loss.label for loss in carbon.losses]
    assert [step.loss_m for step in steps[3:]] == pytest.approx([loss.head_loss_m for loss in carbon.losses])


def test_a_shut_valve_holds_the_head() -> None:
    """Behind a shut valve nothing is lost: what is left stands at the valve, and is said."""
    path = (*SIX.branches[2].path, Valve(kind=ValveKind.BALL, closed_deg=90.0))
    plant = with_run(SIX, "carbon", path=path)
    line = next(line for line in head_lines(plant, predict(plant)) if line.run == "carbon")

    assert line.held_m == pytest.approx(line.steps[-1].after_m - line.end_m)
    assert "held back, no flow" in head_line_figure(line, "L/h", "x")


def test_an_outlet_too_high_is_said() -> None:
    """A branch whose outlet the head does not reach is short of it."""
    plant = with_run(SIX, "scrubber", outlet_m=9.0)
    line = next(line for line in head_lines(plant, predict(plant)) if line.run == "scrubber")

    assert line.held_m < 0
    assert "short of the outlet" in head_line_figure(line, "L/h", "x")


@pytest.mark.parametrize("unit", ["L/h", "gal/h"])
def test_figures_are_drawn(lines: dict[str, HeadLine], unit: str) -> None:
    """What the pump gives, what each step takes and the height of the outlet stand in the picture."""
    svg = ET.fromstring(head_line_figure(lines["carbon"], unit, "x"))  # noqa: S314 - the project's own picture
    said = [text.text for text in svg.iter("text")]

    assert show_head(lines["carbon"].from_m, unit) in said
    assert show_head(lines["carbon"].end_m, unit) in said
    for step in lines["carbon"].steps:
        if step.loss_m > 0.01:
            assert f"\N{MINUS SIGN}{show_head(step.loss_m, unit)}" in said

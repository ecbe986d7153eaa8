"""The example plants are sound, make hydraulic sense, and name nobody's products."""

from importlib.resources import files

import pytest

from analysis.hydraulics.network import compile_network
from analysis.hydraulics.solving import solve_one
from config.parse import parse_plant
from config.plant import MqttSource, Plant, SerialSource

BRANCHES = {"one_branch": 1, "two_branches": 2, "six_branches": 6}


def example(name: str) -> Plant:
    """An example plant as it sits in the package."""
    return parse_plant(files("config").joinpath(f"plants/{name}.toml").read_text(encoding="utf-8"), file=name).plant


@pytest.mark.parametrize(("name", "branches"), BRANCHES.items())
def test_examples_have_the_branches_that_their_names_say(name: str, branches: int) -> None:
    """And every meter of theirs is read from somewhere."""
    plant = example(name)

    assert len(plant.branches) == branches
    assert all(meter.source is not None for meter in plant.meters)


@pytest.mark.parametrize("name", BRANCHES)
def test_every_branch_of_an_example_would_get_its_target(name: str) -> None:
    """By the solver: a starting point that starves a branch would be a bad one."""
    plant = example(name)
    solution = solve_one(compile_network(plant))

    for run, flow_m3s in zip(plant.runs, solution.flow_m3s[0], strict=True):
        if run.target is not None:
            assert (run.target.low_m3s or 0.0) < flow_m3s < (run.target.high_m3s or 1.0), run.name


def test_together_the_examples_show_both_kinds_of_source() -> None:
    """A serial counter and a broker."""
    sources = {type(meter.source) for name in BRANCHES for meter in example(name).meters}

    assert sources == {SerialSource, MqttSource}

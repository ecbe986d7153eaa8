"""The example plants that come with the program, and one that is made smaller or other for a test."""

from dataclasses import replace
from pathlib import Path
from typing import Any

from config.load import load_plant
from config.plant import Plant

PLANTS = Path(__file__).parents[2] / "config" / "plants"


def example_plant(name: str = "six_branches") -> Plant:
    """An example plant by the name of its file."""
    return load_plant(PLANTS / f"{name}.toml").plant


def with_run(plant: Plant, run_name: str, /, **changes: Any) -> Plant:
    """The plant with one run's fields exchanged."""
    runs = tuple(replace(run, **changes) if run.name == run_name else run for run in plant.runs)
    return replace(plant, runs=runs)

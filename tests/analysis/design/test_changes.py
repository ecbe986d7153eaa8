"""Plants with changes made to them."""

import numpy as np
import pytest

from analysis.design.changes import changed_plant
from analysis.hydraulics.network import Conditions, compile_network, solve_one
from config.change import read_change
from config.plant import Element, Fitting, FittingKind, Pipe, Plant, Valve
from tests.support.example_plants import example_plant


def changed(*texts: str) -> Plant:
    """The plant of six branches with changes."""
    plant = example_plant()
    return changed_plant(plant, [read_change(text, plant) for text in texts])


def path_of(plant: Plant, name: str) -> tuple[Element, ...]:
    """The path of a run."""
    return next(run.path for run in plant.runs if run.name == name)


def fittings_of(plant: Plant, name: str) -> list[tuple[FittingKind, int]]:
    """Fittings of a run in their order, without tees and exits."""
    kinds = (FittingKind.ELBOW_90, FittingKind.ELBOW_90_LONG, FittingKind.ELBOW_45)
    return [
        (item.kind, item.count) for item in path_of(plant, name) if isinstance(item, Fitting) and item.kind in kinds
    ]


def test_pipes_keep_their_lengths() -> None:
    """Both pipes of the run are exchanged, each as long as before, and nothing else moves."""
    path = path_of(changed("carbon: pipe 1/2 in sch 80 -> 1 in sch 40"), "carbon")
    before = path_of(example_plant(), "carbon")

    pipes = [element for element in path if isinstance(element, Pipe)]
    assert [pipe.label for pipe in pipes] == ["1 in sch 40", "1 in sch 40"]
    assert [pipe.length_m for pipe in pipes] == [e.length_m for e in before if isinstance(e, Pipe)]
    assert [e for e in path if not isinstance(e, Pipe)] == [e for e in before if not isinstance(e, Pipe)]


def test_up_to_the_valve_the_valve_keeps_its_size() -> None:
    """The pipe before the valve grows, a stub of no length of the old size stands before the valve, the rest stays."""
    plant = changed("carbon: pipe 1/2 in sch 80 -> 1 in sch 40 up to valve")
    path = path_of(plant, "carbon")
    place = next(place for place, element in enumerate(path) if isinstance(element, Valve))

    stub, valve = path[place - 1], next(e for e in compile_network(plant).elements if e.kind == "valve" and e.run == 7)
    assert isinstance(stub, Pipe)
    assert (stub.label, stub.length_m) == ("1/2 in sch 80", 0.0)
    assert valve.bore_m == stub.bore_m
    assert path[place:] == path_of(example_plant(), "carbon")[3:]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("elbow 90 -> 2 x elbow 45", [(FittingKind.ELBOW_45, 4)]),
        ("elbow 90 -> none", []),
        ("1 x elbow 90 -> none", [(FittingKind.ELBOW_90, 1)]),
        ("1 x elbow 90 -> 2 x elbow 45", [(FittingKind.ELBOW_45, 2), (FittingKind.ELBOW_90, 1)]),
        ("2 x elbow 90 -> 3 x elbow 45", [(FittingKind.ELBOW_45, 3)]),
        ("elbow 90 -> elbow 90 long", [(FittingKind.ELBOW_90_LONG, 2)]),
    ],
)
def test_fittings_are_exchanged(text: str, expected: list[tuple[FittingKind, int]]) -> None:
    """Two 90 elbows of the run: each, or so many in all."""
    assert fittings_of(changed(f"steriliser: {text}"), "steriliser") == expected


@pytest.mark.parametrize("name", ["carbon", "phosphate"])
def test_clogged_media_cost_that_many_times(name: str) -> None:
    """A device by its points, and a bed by its dimensions: flows equal those with the solver's own factor on media."""
    plant = changed(f"{name}: media x 3")
    network = compile_network(example_plant())
    factor = np.array([3.0 if run == name else 1.0 for run in network.runs])

    by_change = solve_one(compile_network(plant)).flow_m3s[0]
    by_factor = solve_one(network, Conditions(media_resistance=factor)).flow_m3s[0]

    assert by_change == pytest.approx(by_factor, rel=1e-6)


def test_changes_add_up() -> None:
    """Each change finds what the ones before have left; the pump's speed and an outlet come along."""
    plant = changed(
        "steriliser: elbow 90 -> elbow 45", "steriliser: outlet 40 cm; ball_valve 100 %", "pump: speed 70 %"
    )

    steriliser = next(run for run in plant.runs if run.name == "steriliser")
    assert fittings_of(plant, "steriliser") == [(FittingKind.ELBOW_45, 2)]
    assert steriliser.outlet_m == pytest.approx(0.4)
    assert [e.closed_deg for e in steriliser.path if isinstance(e, Valve)] == [0.0]
    assert plant.pump.speed == pytest.approx(0.7)


def test_the_plant_as_built_is_left_alone() -> None:
    """No change is no change."""
    assert changed() == example_plant()

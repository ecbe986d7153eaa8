"""A plant with a change made to it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.frames import Floats
from config.edits import (
    Change,
    CurveEdit,
    FittingEdit,
    MediaEdit,
    OutletEdit,
    PipeEdit,
    RunEdit,
    SpeedEdit,
    ValveEdit,
    first_valve,
    fits_pipe,
)
from config.plant import Element, Fitting, Pipe, Plant, Pump, Run, Valve


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedPlant:
    """A plant after changes, and the factor [R] on the loss of each run's devices and beds."""

    plant: Plant
    media_resistance: Floats


def changed_plant(plant: Plant, changes: Sequence[Change]) -> ChangedPlant:
    """Make changes one after the other; each finds what the ones before have left.

    Args:
        plant: as built.
        changes: read for this plant.
    """
    runs, pump = list(plant.runs), plant.pump
    media = np.ones(len(runs))
    for edit, names in (pair for change in changes for pair in change.edits):
        if isinstance(edit, SpeedEdit | CurveEdit):
            pump = _changed_pump(pump, edit)
            continue
        for index, run in enumerate(runs):
            if run.name not in names:
                continue
            if isinstance(edit, MediaEdit):
                media[index] *= edit.factor
            else:
                runs[index] = _changed_run(run, edit)
    return ChangedPlant(plant=replace(plant, runs=tuple(runs), pump=pump), media_resistance=media)


def _changed_pump(pump: Pump, edit: SpeedEdit | CurveEdit) -> Pump:
    return replace(pump, speed=edit.speed) if isinstance(edit, SpeedEdit) else replace(pump, curve=edit.curve)


def _changed_run(run: Run, edit: RunEdit) -> Run:
    match edit:
        case PipeEdit():
            return replace(run, path=_with_pipes(run, edit))
        case FittingEdit():
            return replace(run, path=_with_fittings(run.path, edit))
        case ValveEdit():
            return replace(run, path=tuple(_set(element, edit.valve) for element in run.path))
        case OutletEdit():
            return replace(run, outlet_m=edit.outlet_m)
        case MediaEdit():
            return run


def _set(element: Element, valve: Valve) -> Element:
    return valve if isinstance(element, Valve) and element.kind is valve.kind else element


def _with_pipes(run: Run, edit: PipeEdit) -> tuple[Element, ...]:
    """The path with other pipes; fittings and valves go by the bore that they then sit on.

    Up to the valve only, the valve keeps its size: a stub of the old pipe, of no length, stands before it, and the
    change of bore comes there.
    """
    end = first_valve(run) if edit.up_to_valve else None
    head, rest = run.path[:end], run.path[end:] if end is not None else ()
    changed = tuple(_repiped(element, edit) for element in head)
    pipes = [element for element in head if isinstance(element, Pipe)]
    stub = (replace(pipes[-1], length_m=0.0),) if rest and pipes and fits_pipe(edit, pipes[-1]) else ()
    return (*changed, *stub, *rest)


def _repiped(element: Element, edit: PipeEdit) -> Element:
    if isinstance(element, Pipe) and fits_pipe(edit, element):
        return replace(edit.pipe, length_m=element.length_m)
    return element


def _with_fittings(path: tuple[Element, ...], edit: FittingEdit) -> tuple[Element, ...]:
    """The path with other fittings in the places of the old ones."""
    left = edit.count
    placed = edit.count is None
    made: list[Element] = []
    for element in path:
        if not isinstance(element, Fitting) or element.kind is not edit.old or left == 0:
            made.append(element)
            continue
        taken = element.count if left is None else min(left, element.count)
        left = None if left is None else left - taken
        new_count = edit.new_count * taken if edit.count is None else edit.new_count
        if edit.new is not None and (placed or left == 0):
            made.append(Fitting(kind=edit.new, count=new_count))
        if taken < element.count:
            made.append(replace(element, count=element.count - taken))
    return tuple(made)

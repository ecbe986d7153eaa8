"""A plant with a change made to it."""

from collections.abc import Sequence
from dataclasses import replace

from analysis.hydraulics.fluid import kinematic_viscosity_m2s
from analysis.hydraulics.media import STANDARD_GRAVITY_M_S2, bed_loss
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
from config.plant import Device, Element, Fitting, MediaBed, Pipe, Plant, Pump, Run, Valve, Water

_BED_FLOW_M3S = 1e-4  # two flows fix a loss a Q + b Q^2, whichever they are


def changed_plant(plant: Plant, changes: Sequence[Change]) -> Plant:
    """Make changes one after the other; each finds what the ones before have left.

    Args:
        plant: as built.
        changes: read for this plant.
    """
    runs, pump = list(plant.runs), plant.pump
    for edit, names in (pair for change in changes for pair in change.edits):
        if isinstance(edit, SpeedEdit | CurveEdit):
            pump = _changed_pump(pump, edit)
        else:
            runs = [_changed_run(run, edit, plant.water) if run.name in names else run for run in runs]
    return replace(plant, runs=tuple(runs), pump=pump)


def _changed_pump(pump: Pump, edit: SpeedEdit | CurveEdit) -> Pump:
    return replace(pump, speed=edit.speed) if isinstance(edit, SpeedEdit) else replace(pump, curve=edit.curve)


def _changed_run(run: Run, edit: RunEdit, water: Water) -> Run:
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
            return replace(run, path=tuple(_clogged(element, edit.factor, water) for element in run.path))


def _clogged(element: Element, factor: float, water: Water) -> Element:
    """A device or bed that costs so many times the head; a bed becomes a device by its loss at two flows."""
    if isinstance(element, MediaBed):
        loss = bed_loss(element, gravity_m_s2=STANDARD_GRAVITY_M_S2)
        viscosity_m2s = float(kinematic_viscosity_m2s(water.temperature_c, water.salinity_g_per_kg))
        linear = loss.linear_s_m2 + loss.viscous_per_m4 * viscosity_m2s
        flows = (_BED_FLOW_M3S, 2.0 * _BED_FLOW_M3S)
        element = Device(name=element.name, loss=tuple((q, linear * q + loss.quadratic_s2_m5 * q * q) for q in flows))
    if not isinstance(element, Device):
        return element
    return replace(element, loss=tuple((flow, factor * head) for flow, head in element.loss))


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

"""The losses of a run's elements, one by one, from its path."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from analysis.hydraulics.bore_change import barb_k, bore_change_k
from analysis.hydraulics.fittings import SHUT_DEG, check_valve_k, fitting_k, valve_k
from analysis.hydraulics.friction import FrictionLaw
from analysis.hydraulics.media import STANDARD_GRAVITY_M_S2, LossCurve, bed_loss, device_loss
from config.errors import InputUnusable
from config.plant import (
    Barb,
    CheckValve,
    Device,
    Element,
    Fitting,
    FittingKind,
    FixedK,
    MediaBed,
    Pipe,
    Reducer,
    Run,
    Valve,
)
from config.units import show_bore, show_length


class TeeLaw(StrEnum):
    """How the loss of a tee is worked out."""

    FIXED = "fixed"
    BY_SPLIT = "by split"


@dataclass(frozen=True, slots=True, kw_only=True)
class Constants:
    """What the equations are worked with.

    Attributes:
        gravity_m_s2: standard gravity (CGPM 1901) unless another program is to be matched.
        minor_loss_scale: factor on every minor loss, 1 but for programs that round 8 / (pi^2 g).
        law: the formula for turbulent friction.
        tees: a constant K on each way's own bore, or K by how the flow splits (see `tees`).
    """

    gravity_m_s2: float = STANDARD_GRAVITY_M_S2
    minor_loss_scale: float = 1.0
    law: FrictionLaw = FrictionLaw.COLEBROOK
    tees: TeeLaw = TeeLaw.FIXED


STANDARD = Constants()
NO_LOSS = LossCurve()


@dataclass(frozen=True, slots=True, kw_only=True)
class PipeFriction:
    """Friction along one bore: m, m, m."""

    bore_m: float
    length_m: float
    roughness_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ElementLoss:
    """What one element of a path costs: friction along it, or h = (a + viscous nu) Q + b Q |Q|.

    Attributes:
        run: index of the run.
        label: the element in the keeper's words.
        kind: the sort of element: "pipe", "fitting", "valve", "check valve", "barb", "bore change", "K", "device",
            "bed".
        bore_m: the bore its loss is counted on, m; nan for a device.
        friction: of a pipe; None otherwise.
        loss: of anything else; nought for a pipe.
        media: whether a change of media changes it (devices and beds).
        shut: whether it lets nothing pass.
        fitting: which fitting; None for anything else. count: how many of it.
    """

    run: int
    label: str
    kind: str
    bore_m: float
    friction: PipeFriction | None = None
    loss: LossCurve = NO_LOSS
    media: bool = False
    shut: bool = False
    fitting: FittingKind | None = None
    count: int = 1


@dataclass(slots=True, kw_only=True)
class _Walk:
    """Where the walk along a path is: the bore in force and how the next change of bore is made."""

    run: int
    constants: Constants
    flow_unit: str
    bore_m: float
    nominal_in: float | None
    met_pipe: bool
    gradual: bool = False
    joined_by_barb: bool = False


def run_elements(
    run: Run, *, index: int, upstream: Pipe | None = None, constants: Constants = STANDARD, flow_unit: str = "L/h"
) -> tuple[ElementLoss, ...]:
    """The losses along a run's path, in order, with each change of bore between two pipes as an element of its own.

    Args:
        run: the run.
        index: its index in the plant.
        upstream: last pipe before the run, whose bore is in force in a run without a pipe of its own.
        constants: what the equations are worked with.
        flow_unit: the keeper's, which the units of lengths and bores in the labels go with.

    Raises:
        InputUnusable: a loss on a bore, and no pipe that sets one.
    """
    pipes = [element for element in run.path if isinstance(element, Pipe)]
    first = pipes[0] if pipes else upstream
    if first is None and any(not isinstance(element, Device | MediaBed | Reducer) for element in run.path):
        raise InputUnusable(f"run {run.name}: no pipe sets the bore that its fittings sit on: add a pipe to its path")
    walk = _Walk(
        run=index,
        constants=constants,
        flow_unit=flow_unit,
        bore_m=first.bore_m if first else math.nan,
        nominal_in=first.nominal_in if first else None,
        met_pipe=False,
    )
    losses: list[ElementLoss] = []
    for place, element in enumerate(run.path):
        losses.extend(_element_losses(element, walk, run.path[place + 1 :]))
    return tuple(losses)


def quadratic_s2_m5(k: float, bore_m: float, constants: Constants) -> float:
    """Coefficient of h = c Q |Q| of a minor loss K on a bore: 8 K / (pi^2 g D^4).

    Args:
        k: loss coefficient.
        bore_m: bore whose velocity head it counts on, m.
        constants: gravity and the scale of minor losses.

    Returns:
        c, s2/m5.

    Source: definition of K, h = K V^2 / 2g.
    """
    return constants.minor_loss_scale * 8.0 * k / (math.pi**2 * constants.gravity_m_s2 * bore_m**4)


def _element_losses(  # noqa: PLR0911 - one way out for each sort of element
    element: Element, walk: _Walk, following: Sequence[Element]
) -> list[ElementLoss]:
    match element:
        case Pipe():
            return _pipe(element, walk)
        case Reducer():
            walk.gradual = element.gradual
            return []
        case Barb():
            return [_barb(element, walk, following)]
        case Fitting():
            k = element.count * fitting_k(element.kind, bore_m=walk.bore_m, nominal_in=walk.nominal_in)
            return [
                replace(
                    _minor(walk, k, label=_counted(element), kind="fitting"), fitting=element.kind, count=element.count
                )
            ]
        case Valve():
            return [_valve(element, walk)]
        case CheckValve():
            k = check_valve_k(element.kind, bore_m=walk.bore_m, nominal_in=walk.nominal_in)
            return [_minor(walk, k, label=element.kind.value, kind="check valve")]
        case FixedK():
            return [_minor(walk, element.k, label=f"K {element.k:g}", kind="K")]
        case Device():
            return [_media(walk, device_loss(element), label=element.name, kind="device")]
        case MediaBed():
            loss = bed_loss(element, gravity_m_s2=walk.constants.gravity_m_s2)
            return [_media(walk, loss, label=element.name, kind="bed")]


def _pipe(pipe: Pipe, walk: _Walk) -> list[ElementLoss]:
    losses = []
    if walk.met_pipe and not walk.joined_by_barb and pipe.bore_m != walk.bore_m:
        losses.append(_bore_change(pipe, walk))
    walk.bore_m, walk.nominal_in, walk.met_pipe = pipe.bore_m, pipe.nominal_in, True
    walk.gradual = walk.joined_by_barb = False
    friction = PipeFriction(bore_m=pipe.bore_m, length_m=pipe.length_m, roughness_m=pipe.roughness_m)
    label = f"{_pipe_label(pipe, walk.flow_unit)}, {show_length(pipe.length_m, walk.flow_unit)}"
    losses.append(ElementLoss(run=walk.run, label=label, kind="pipe", bore_m=pipe.bore_m, friction=friction))
    return losses


def _pipe_label(pipe: Pipe, flow_unit: str) -> str:
    """The pipe's own label, its bore (where that is what it goes by) in the keeper's unit."""
    bore = show_bore(pipe.bore_m)
    return pipe.label.replace(bore, show_bore(pipe.bore_m, flow_unit), 1) if pipe.label.startswith(bore) else pipe.label


def _bore_change(pipe: Pipe, walk: _Walk) -> ElementLoss:
    k = bore_change_k(walk.bore_m, pipe.bore_m, gradual=walk.gradual)
    narrower = min(walk.bore_m, pipe.bore_m)
    word = "reducer" if pipe.bore_m < walk.bore_m else "expansion"
    manner = "gradual" if walk.gradual else "sudden"
    before, after = show_bore(walk.bore_m, walk.flow_unit).split()[0], show_bore(pipe.bore_m, walk.flow_unit)
    label = f"{word}, {manner}, {before} to {after}"
    return _minor(walk, k, label=label, kind="bore change", bore_m=narrower)


def _barb(barb: Barb, walk: _Walk, following: Sequence[Element]) -> ElementLoss:
    """A barb joins the bore in force to that of the next pipe, so no other change of bore comes between them."""
    after = next((element.bore_m for element in following if isinstance(element, Pipe)), walk.bore_m)
    k = barb_k(barb.bore_m, from_m=walk.bore_m, to_m=after if walk.met_pipe else walk.bore_m)
    walk.joined_by_barb = walk.met_pipe
    return _minor(walk, k, label=f"barb, {show_bore(barb.bore_m, walk.flow_unit)}", kind="barb", bore_m=barb.bore_m)


def _valve(valve: Valve, walk: _Walk) -> ElementLoss:
    k = valve_k(valve.kind, closed_deg=valve.closed_deg, bore_m=walk.bore_m, nominal_in=walk.nominal_in)
    if math.isinf(k):
        return ElementLoss(run=walk.run, label=f"{valve.kind.value}, shut", kind="valve", bore_m=walk.bore_m, shut=True)
    state = "open" if valve.closed_deg == 0.0 else f"{100.0 * (1.0 - valve.closed_deg / SHUT_DEG):.0f} % open"
    return _minor(walk, k, label=f"{valve.kind.value}, {state}", kind="valve")


def _minor(walk: _Walk, k: float, *, label: str, kind: str, bore_m: float | None = None) -> ElementLoss:
    on_m = walk.bore_m if bore_m is None else bore_m
    loss = LossCurve(quadratic_s2_m5=quadratic_s2_m5(k, on_m, walk.constants))
    return ElementLoss(run=walk.run, label=label, kind=kind, bore_m=on_m, loss=loss)


def _media(walk: _Walk, loss: LossCurve, *, label: str, kind: str) -> ElementLoss:
    return ElementLoss(run=walk.run, label=label, kind=kind, bore_m=math.nan, loss=loss, media=True)


def _counted(fitting: Fitting) -> str:
    return fitting.kind.value if fitting.count == 1 else f"{fitting.count} x {fitting.kind.value}"

"""What a change does: typed edits of runs and of the pump, and what of a run each of them finds."""

from dataclasses import dataclass

from config.plant import Device, Fitting, FittingKind, MediaBed, Pipe, Run, Valve

SAME_BORE_M = 1e-5


@dataclass(frozen=True, slots=True, kw_only=True)
class PipeEdit:
    """Pipes or hoses of one bore, or all of them, become others; lengths stay.

    `bore_m` is the bore that is replaced, None for any. `pipe` is the new one, of no length of its own.
    """

    hose: bool
    bore_m: float | None
    pipe: Pipe
    up_to_valve: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FittingEdit:
    """Fittings of a kind become others, or none.

    Attributes:
        old: what is replaced. count: how many of them in all; None for each of them.
        new: what takes their place; None for nothing.
        new_count: how many: for each one replaced without a `count`, for all of them with one.
    """

    old: FittingKind
    count: int | None
    new: FittingKind | None
    new_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveEdit:
    """A hand valve is set."""

    valve: Valve


@dataclass(frozen=True, slots=True, kw_only=True)
class MediaEdit:
    """Devices and beds cost this many times the head."""

    factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OutletEdit:
    """A branch discharges at another height above the sump's level."""

    outlet_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedEdit:
    """The pump runs at a fraction of full speed."""

    speed: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveEdit:
    """Another pump: (flow m3/s, head m) points at full speed."""

    curve: tuple[tuple[float, float], ...]


RunEdit = PipeEdit | FittingEdit | ValveEdit | MediaEdit | OutletEdit
PumpEdit = SpeedEdit | CurveEdit


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A change as read: the text, and its edits each with the runs that they are for; no run for the pump's."""

    text: str
    edits: tuple[tuple[RunEdit | PumpEdit, tuple[str, ...]], ...]


def finds(edit: RunEdit, run: Run) -> bool:
    """Whether a run holds what the edit changes."""
    match edit:
        case PipeEdit():
            path = run.path[: first_valve(run)] if edit.up_to_valve else run.path
            return any(isinstance(element, Pipe) and fits_pipe(edit, element) for element in path)
        case FittingEdit():
            found = sum(item.count for item in run.path if isinstance(item, Fitting) and item.kind is edit.old)
            return found >= (edit.count or 1)
        case ValveEdit():
            return any(isinstance(element, Valve) and element.kind is edit.valve.kind for element in run.path)
        case MediaEdit():
            return bool(devices_of(run))
        case OutletEdit():
            return run.is_branch


def fits_pipe(edit: PipeEdit, pipe: Pipe) -> bool:
    """Whether a pipe of the path is one that the edit replaces."""
    same = edit.bore_m is None or abs(pipe.bore_m - edit.bore_m) < SAME_BORE_M
    return same and is_hose(pipe) is edit.hose


def first_valve(run: Run) -> int | None:
    """Place of the first hand valve in a run's path; None without one."""
    return next((place for place, element in enumerate(run.path) if isinstance(element, Valve)), None)


def devices_of(run: Run) -> list[str]:
    """Names of the devices and beds on a run."""
    return [element.name for element in run.path if isinstance(element, Device | MediaBed)]


def is_hose(pipe: Pipe) -> bool:
    """Whether a pipe of a path is a hose, which goes by its bore and not by a schedule."""
    return pipe.label.endswith("hose")

"""A change to be tried on a plant, as the keeper writes it: text to typed edits of named runs.

    change   = where ":" edit { ";" edit }
    where    = "pump" | a run's name, or a pattern with * and ? that several run names match
    edit     = "pipe" [ size ] "->" size [ "up to valve" ]   pipes of that size (all without one), in the whole run or
                                                             before its first hand valve
             | "hose" [ bore ] "->" bore
             | [ n "x" ] fitting "->" [ m "x" ] fitting | [ n "x" ] fitting "->" "none"
             | "ball_valve" opening or turn | "gate_valve" opening
             | "media x" factor                              loss of the run's devices and beds
             | "outlet" height
             | "speed" share                                 of the pump
             | "curve" flow head { "," flow head }           of the pump
    size     = a nominal pipe ("1-1/2 in sch 40") or a bore ("26.6 mm")
    fitting  = "elbow 90" | "elbow 90 long" | "elbow 45" | "tee run" | "tee branch" | "union" | "coupling"
             | "entrance sharp" | "entrance rounded" | "entrance projecting"

Quantities, sizes and openings are written as in the plant file. Without a count on the left every fitting of that kind
is replaced, each by what stands on the right; with one, that many in all are replaced by what stands on the right.
"""

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from types import MappingProxyType
from typing import Any

from pydantic import TypeAdapter, ValidationError

from config.edits import (
    Change,
    CurveEdit,
    FittingEdit,
    MediaEdit,
    OutletEdit,
    PipeEdit,
    PumpEdit,
    RunEdit,
    SpeedEdit,
    ValveEdit,
    devices_of,
    finds,
    first_valve,
)
from config.errors import ChangeError, QuantityError
from config.fields import BallClosedDeg, GateClosedDeg, HeightM, PumpCurve, SpeedShare
from config.flaws import close_to
from config.pipes import HOSE_ROUGHNESS_M, PVC_ROUGHNESS_M, pipe_size
from config.plant import Fitting, FittingKind, Pipe, Plant, Run, Valve, ValveKind
from config.units import LENGTH, quoted, read_quantity, show_bore

PUMP = "pump"
MAX_BORE_M = 0.6
MAX_COUNT = 100
MAX_FACTOR = 1e4

FITTINGS: Mapping[str, FittingKind] = MappingProxyType(
    {
        "elbow 90": FittingKind.ELBOW_90,
        "elbow 90 long": FittingKind.ELBOW_90_LONG,
        "elbow 45": FittingKind.ELBOW_45,
        "tee run": FittingKind.TEE_RUN,
        "tee branch": FittingKind.TEE_BRANCH,
        "union": FittingKind.UNION,
        "coupling": FittingKind.COUPLING,
        "entrance sharp": FittingKind.ENTRANCE_SHARP,
        "entrance rounded": FittingKind.ENTRANCE_ROUNDED,
        "entrance projecting": FittingKind.ENTRANCE_PROJECTING,
    }
)
_EXAMPLES = MappingProxyType(
    {
        "pipe": "pipe 1/2 in sch 80 -> 1 in sch 40",
        "hose": "hose 10 mm -> 16 mm",
        "ball_valve": "ball_valve 60 %",
        "gate_valve": "gate_valve 60 %",
        "media": "media x 2",
        "outlet": "outlet 40 cm",
        "elbow": "elbow 90 -> 2 x elbow 45",
    }
)
_PUMP_EXAMPLES = MappingProxyType(
    {"speed": "speed 80 %", "curve": "curve 0 L/h 4.6 m, 6000 L/h 3.4 m, 11000 L/h 0.6 m"}
)
_ARROW = re.compile(r"->|→")
_UP_TO_VALVE = re.compile(r"\s+up\s+to\s+(?:the\s+)?valve\s*$", re.IGNORECASE)
_COUNT = re.compile(r"(?:(?P<count>[0-9]{1,4})\s*[x×]\s+)?(?P<what>.*)", re.IGNORECASE | re.DOTALL)  # noqa: RUF001 - the sign itself is meant


def read_change(text: str, plant: Plant) -> Change:
    """Read a change and find what it is for in the plant.

    Args:
        text: as the keeper wrote it.
        plant: the plant to be changed.

    Raises:
        ChangeError: saying which part cannot be read or finds nothing, and what there is.
    """
    where, edits = _where_and_edits(text, plant)
    if where.lower() == PUMP:
        return Change(text=text, edits=tuple((_read_pump_edit(edit, text), ()) for edit in edits))
    runs = _runs(where, plant, text)
    read: list[tuple[RunEdit | PumpEdit, tuple[str, ...]]] = []
    for part in edits:
        edit = _read_run_edit(part, text)
        fit = tuple(run.name for run in runs if finds(edit, run))
        if not fit:
            raise ChangeError(f"{_place(text, part)} finds nothing to change in {_what_there_is(edit, runs)}")
        read.append((edit, fit))
    return Change(text=text, edits=tuple(read))


def _where_and_edits(text: str, plant: Plant) -> tuple[str, list[str]]:
    """The part before the colon that names runs (a name may hold colons itself), and the edits behind it."""
    parts = text.split(":")
    if len(parts) == 1:
        raise ChangeError(
            f"change {quoted(text)} names no run: write the run (or pump), a colon and what to change, "
            f"like '{plant.runs[-1].name}: {_EXAMPLES['pipe']}'"
        )
    names = {run.name for run in plant.runs}
    known = (count for count in range(1, len(parts)) if ":".join(parts[:count]).strip() in names)
    count = next(known, 1)
    edits = [edit.strip() for edit in ":".join(parts[count:]).split(";") if edit.strip()]
    if not edits:
        raise ChangeError(
            f"change {quoted(text)} says nothing behind its colon: write, for example, {_EXAMPLES['pipe']}"
        )
    return ":".join(parts[:count]).strip(), edits


def _runs(where: str, plant: Plant, text: str) -> tuple[Run, ...]:
    exact = tuple(run for run in plant.runs if run.name == where)
    if exact:
        return exact
    found = tuple(run for run in plant.runs if fnmatchcase(run.name.lower(), where.lower()))
    if not found:
        names = [run.name for run in plant.runs]
        raise ChangeError(
            f"{_place(text, where)}: no run has that name{close_to(where, names)} (runs: {', '.join(names)}; or {PUMP})"
        )
    return found


def _read_pump_edit(part: str, text: str) -> PumpEdit:
    key, _, rest = part.partition(" ")
    with_place = _Placed(text=text, part=part)
    if key == "speed":
        return SpeedEdit(speed=with_place.value(SpeedShare, rest.strip()))
    if key == "curve":
        points = [_curve_point(point, with_place) for point in rest.split(",")]
        return CurveEdit(curve=with_place.value(PumpCurve, points))
    raise ChangeError(
        f"{_place(text, part)}: of the pump its speed or its curve can be changed, {_like(_PUMP_EXAMPLES)}"
    )


def _curve_point(point: str, with_place: "_Placed") -> list[str]:
    """Flow and head of "6000 L/h 3.4 m": the head begins at the second number that stands by itself."""
    found = re.fullmatch(r"\s*(?P<flow>[0-9.]+\s*\S*(?:\s*/\s*\w+)?)\s+(?P<head>[0-9].*?)\s*", point)
    if found is None:
        raise with_place.fault(f"{quoted(point.strip())} is no point of a curve, {_like(_PUMP_EXAMPLES, 'curve')}")
    return [found["flow"], found["head"]]


def _read_run_edit(part: str, text: str) -> RunEdit:
    with_place = _Placed(text=text, part=part)
    halves = _ARROW.split(part)
    if len(halves) > 2:  # noqa: PLR2004 - one before the arrow and one behind it
        raise with_place.fault("has more than one arrow: write several edits with ; between them")
    key = (_COUNT.fullmatch(halves[0].strip()) or [""])[0].split(" ")[0].lower()
    if len(halves) == 2:  # noqa: PLR2004 - as above
        left, right = (half.strip() for half in halves)
        if key in {"pipe", "hose"}:
            return _pipe_edit(left, right, with_place)
        return _fitting_edit(left, right, with_place)
    if key in _SETTERS:
        return _SETTERS[key](part[len(key) :].strip(), with_place)
    if key in {"pipe", "hose"} or key in {name.split()[0] for name in FITTINGS}:
        raise with_place.fault(f"has no arrow: say what takes its place, {_like(_EXAMPLES, 'elbow')}")
    if key in _PUMP_EXAMPLES:
        raise with_place.fault(f"is of the pump: write '{PUMP}: {_PUMP_EXAMPLES[key]}'")
    hint = close_to(key, list(_EXAMPLES))
    raise with_place.fault(f"is no change that can be tried{hint}; there are: {'; '.join(_EXAMPLES.values())}")


def _pipe_edit(left: str, right: str, with_place: "_Placed") -> PipeEdit:
    hose = left.lower().startswith("hose")
    old = left[4:].strip()
    up_to_valve = _UP_TO_VALVE.search(right) is not None
    new = _UP_TO_VALVE.sub("", right)
    if not new:
        raise with_place.fault("names no new size behind the arrow")
    bore_m = _pipe(old, hose=hose, with_place=with_place).bore_m if old else None
    pipe = _pipe(new, hose=hose, with_place=with_place)
    return PipeEdit(hose=hose, bore_m=bore_m, pipe=pipe, up_to_valve=up_to_valve)


def _pipe(size: str, *, hose: bool, with_place: "_Placed") -> Pipe:
    """A pipe of no length by its nominal size or bore; a hose by its bore."""
    try:
        if not hose and re.search("sch", size, re.IGNORECASE):
            named = pipe_size(size)
            roughness_m, nominal_in = PVC_ROUGHNESS_M, named.nominal_in
            return Pipe(
                label=named.name, bore_m=named.bore_m, length_m=0.0, roughness_m=roughness_m, nominal_in=nominal_in
            )
        bore_m = read_quantity(size, LENGTH, above=0.0, high=MAX_BORE_M)
    except QuantityError as error:
        what = "a hose goes by its bore" if hose else 'a pipe goes by its nominal size, "1 in sch 40", or its bore'
        raise with_place.fault(f"{error} ({what})") from None
    word, roughness_m = ("hose", HOSE_ROUGHNESS_M) if hose else ("bore pipe", PVC_ROUGHNESS_M)
    return Pipe(label=f"{show_bore(bore_m)} {word}", bore_m=bore_m, length_m=0.0, roughness_m=roughness_m)


def _fitting_edit(left: str, right: str, with_place: "_Placed") -> FittingEdit:
    count, old = _counted(left, with_place)
    if right.lower() == "none":
        return FittingEdit(old=old, count=count, new=None, new_count=0)
    new_count, new = _counted(right, with_place)
    return FittingEdit(old=old, count=count, new=new, new_count=1 if new_count is None else new_count)


def _counted(written: str, with_place: "_Placed") -> tuple[int | None, FittingKind]:
    found = _COUNT.fullmatch(written)
    what = " ".join((found["what"] if found else written).lower().split())
    if what not in FITTINGS:
        hint = close_to(what, list(FITTINGS))
        raise with_place.fault(f"{quoted(written)} is no fitting known here{hint} (there are: {', '.join(FITTINGS)})")
    count = int(found["count"]) if found and found["count"] else None
    if count is not None and not 1 <= count <= MAX_COUNT:
        raise with_place.fault(f"{count} fittings: write 1 to {MAX_COUNT}, or -> none")
    return count, FITTINGS[what]


def _ball_valve(rest: str, with_place: "_Placed") -> RunEdit:
    return ValveEdit(valve=Valve(kind=ValveKind.BALL, closed_deg=with_place.value(BallClosedDeg, rest)))


def _gate_valve(rest: str, with_place: "_Placed") -> RunEdit:
    return ValveEdit(valve=Valve(kind=ValveKind.GATE, closed_deg=with_place.value(GateClosedDeg, rest)))


def _media(rest: str, with_place: "_Placed") -> RunEdit:
    found = re.fullmatch(r"[x×]\s*(?P<factor>[0-9]+(?:\.[0-9]+)?)", rest)  # noqa: RUF001 - the sign itself is meant
    factor = float(found["factor"]) if found else math.nan
    if not 0.0 < factor <= MAX_FACTOR:
        raise with_place.fault(
            f"says no factor on the loss between 0 and {MAX_FACTOR:,.0f}, {_like(_EXAMPLES, 'media')}"
        )
    return MediaEdit(factor=factor)


def _outlet(rest: str, with_place: "_Placed") -> RunEdit:
    return OutletEdit(outlet_m=with_place.value(HeightM, rest))


_SETTERS: Mapping[str, Callable[[str, "_Placed"], RunEdit]] = MappingProxyType(
    {"ball_valve": _ball_valve, "gate_valve": _gate_valve, "media": _media, "outlet": _outlet}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Placed:
    """Where in the text of a change something stands, for its errors."""

    text: str
    part: str

    def fault(self, what: str) -> ChangeError:
        """An error of this part."""
        return ChangeError(f"{_place(self.text, self.part)}: {what}")

    def value(self, field: Any, written: object) -> Any:
        """A value read as the plant file's field of that type reads it."""
        try:
            return TypeAdapter(field).validate_python(written)
        except ValidationError as error:
            details = error.errors(include_url=False)[0]
            raise self.fault(str(details.get("ctx", {}).get("error", details["msg"]))) from None


def _place(text: str, part: str) -> str:
    return f"change {quoted(text)}: {quoted(part)}" if part != text else f"change {quoted(text)}"


def _like(examples: Mapping[str, str], key: str | None = None) -> str:
    return "like " + (examples[key] if key else " or ".join(examples.values()))


def _what_there_is(edit: RunEdit, runs: tuple[Run, ...]) -> str:
    """The runs, and what of that sort they hold."""
    held = dict.fromkeys(word for run in runs for word in _held(edit, run))
    named = ", ".join(run.name for run in runs)
    return f"{named} (there: {', '.join(held) or 'nothing of that sort'})"


def _held(edit: RunEdit, run: Run) -> list[str]:
    match edit:
        case PipeEdit():
            before = f", hand valve: {'yes' if first_valve(run) is not None else 'none'}" if edit.up_to_valve else ""
            return [element.label + before for element in run.path if isinstance(element, Pipe)]
        case FittingEdit():
            fittings = [element for element in run.path if isinstance(element, Fitting)]
            return [f"{item.count} x {_written(item.kind)}" for item in fittings if item.kind is not FittingKind.EXIT]
        case ValveEdit():
            return [element.kind.value for element in run.path if isinstance(element, Valve)]
        case MediaEdit():
            return devices_of(run)
        case OutletEdit():
            return [f"it ends at the node {run.end}"]


def _written(kind: FittingKind) -> str:
    return next((words for words, known in FITTINGS.items() if known is kind), kind.value)

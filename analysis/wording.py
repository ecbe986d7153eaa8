"""Findings in plain words: what it could be, and what to do this week.

Only causes that flow meters cannot tell apart stand together in one list; the order within a list means nothing.
"""

import shlex
from collections.abc import Mapping
from types import MappingProxyType

from analysis.assessment import Candidate, FaultKind, Status, SupplyPart
from analysis.signatures import LEAST_SHARE
from config.plant import GaugeKind, Plant

FAILED_LOG = -2.5
FAILED_PERCENT = -90.0
NEAR_CERTAIN = 0.995
# Readings are cut off at LEAST_SHARE: what lies there may be anything below.
NEXT_TO_NOTHING_PERCENT = 100.0 * (LEAST_SHARE - 1.0) + 0.1
Gauges = Mapping[str, GaugeKind]
NO_GAUGES: Gauges = MappingProxyType({})
_PARTS = {
    SupplyPart.IMPELLER: "the impeller is worn or fouled",
    SupplyPart.INTAKE: "the intake or trunk has changed",
    SupplyPart.SPEED: "the pump's speed has changed",
}
_LOST = {
    SupplyPart.IMPELLER: ("growth or grit in the impeller", "a worn or broken impeller"),
    SupplyPart.INTAKE: ("a blocked intake", "a trunk that is fouled, or its valve turned toward shut"),
    SupplyPart.SPEED: ("a controller set lower", "a pump that gets less voltage or is held back"),
}
_GAINED = {
    SupplyPart.IMPELLER: ("a stronger impeller",),
    SupplyPart.INTAKE: ("an intake or trunk that has come free",),
    SupplyPart.SPEED: ("a controller set higher",),
}
_TO_DO = {
    SupplyPart.IMPELLER: "Unplug the pump, then clean and look at impeller and volute.",
    SupplyPart.INTAKE: "Unplug the pump, then clean the intake; look through the trunk and its valve.",
    SupplyPart.SPEED: "Look at the controller's setting and at what the pump is supplied with.",
}


def could_be(  # noqa: PLR0913 - a fault and how it came
    plant: Plant,
    kind: FaultKind,
    subject: str | None,
    *,
    size: float,
    sudden: bool,
    part: SupplyPart | None = None,
) -> tuple[str, ...]:
    """Causes that no flow meter or gauge can tell apart.

    Args:
        plant: for media.
        kind: of the fault.
        subject: run or meter that it sits on.
        size: log change of what it touches.
        sudden: it came at once rather than grew.
        part: of the supply, if that is known.
    """
    if kind is FaultKind.RESTRICTION:
        return _restriction(plant, subject, sudden=sudden)
    if kind is FaultKind.OPENING:
        return ("a valve turned open", "a bed that channels or lost its media", "a hose that has come off or leaks")
    if kind is FaultKind.SUPPLY:
        return _supply(size, part)
    reads = plant.gauge_kinds.get(subject or "")
    return _meter(size) if reads is None else _gauge(size, reads)


def _supply(size: float, part: SupplyPart | None) -> tuple[str, ...]:
    if part is not None:
        return (_GAINED if size > 0 else _LOST)[part]
    if size > 0:
        return ("a higher pump speed", "an intake or trunk that has come free")
    return ("a fouled or worn impeller", "a blocked intake or trunk", "a lower pump speed")


def _meter(size: float) -> tuple[str, ...]:
    if size < FAILED_LOG:
        return ("a stuck or broken rotor", "a loose wire or a dead sensor")
    if size < 0:
        return ("a fouled rotor that reads low", "a wire or sensor that drops pulses")
    return ("air bubbles in the meter", "an electrical disturbance that adds pulses", "a changed K-factor")


def _gauge(size: float, reads: GaugeKind) -> tuple[str, ...]:
    if reads is GaugeKind.POWER:
        more = ("a bearing or an impeller that drags",) if size > 0 else ()
        return (*more, "another voltage of the mains", "a power meter that drifts, or reads more than the pump alone")
    if size < FAILED_LOG:
        return ("a loose wire or a dead sensor", "a tap or hose of the gauge that is shut or off")
    return ("a sensor that drifts or has lost its zero", "growth or air in the line to the gauge")


def _restriction(plant: Plant, subject: str | None, *, sudden: bool) -> tuple[str, ...]:
    run = next(run for run in plant.runs if run.name == subject)
    media = (f"clogged {run.media}",) if run.media else ()
    valve = ("a valve turned toward shut",)
    hose = ("a kinked hose, or growth or debris in the branch",)
    return (*valve, *hose, *media) if sudden else (*media, *hose, *valve)


def place(kind: FaultKind, subject: str | None, gauges: Gauges = NO_GAUGES, part: SupplyPart | None = None) -> str:
    """The fault's place as one would say it; `gauges` are the plant's, told from its meters, by what they read."""
    return {
        FaultKind.RESTRICTION: f"{subject} is restricted",
        FaultKind.OPENING: f"{subject} is more open than it was",
        FaultKind.SUPPLY: "the supply has changed at pump, intake or trunk" if part is None else _PARTS[part],
        FaultKind.METER: f"{instrument(subject, gauges)} {subject} reads wrong{or_motor(subject, gauges)}",
    }[kind]


def instrument(name: str | None, gauges: Gauges) -> str:
    """What an instrument is called."""
    return "gauge" if name in gauges else "meter"


def or_motor(name: str | None, gauges: Gauges) -> str:
    """A power that moves alone may be the motor's own."""
    return " or the motor has changed" if gauges.get(name or "") is GaugeKind.POWER else ""


def headline(candidates: tuple[Candidate, ...], gauges: Gauges = NO_GAUGES) -> str:
    """One sentence: the leading cause, how sure, and the runner-up where it counts."""
    first = candidates[0]
    moved = f"{abs(first.flow_change_percent):.0f} % {'less' if first.flow_change_percent < 0 else 'more'}"
    shows = f"{moved} than flows" if first.flow_change_percent > FAILED_PERCENT else "next to nothing of what flows"
    what = {
        FaultKind.RESTRICTION: f"{first.subject} gets {moved} flow",
        FaultKind.OPENING: f"{first.subject} gets {moved} flow",
        FaultKind.SUPPLY: f"The pump delivers {moved} in all",
        FaultKind.METER: f"Meter {first.subject} shows {shows} there"
        if first.subject not in gauges
        else f"Gauge {first.subject} shows {moved} {_than(gauges.get(first.subject or ''))}",
    }[first.kind]
    sure = f"{place(first.kind, first.subject, gauges, first.part)} ({percent(first.probability)})"
    if len(candidates) > 1:
        rival = candidates[1]
        return (
            f"{what}: {sure}, or {place(rival.kind, rival.subject, gauges, rival.part)} ({percent(rival.probability)})."
        )
    return f"{what}: {sure}."


def _than(reads: GaugeKind | None) -> str:
    return "power than the flows account for" if reads is GaugeKind.POWER else "pressure than there is"


def percent(probability: float) -> str:
    """A probability in whole per cent: nothing inferred is ever told as 100 %."""
    return "over 99 %" if probability > NEAR_CERTAIN else f"{100 * probability:.0f} %"


def action(plant: Plant, candidates: tuple[Candidate, ...]) -> str:
    """What to do this week, beginning with the leading cause; a second step where a rival may well be right."""
    steps = [_action(plant, candidates[0])]
    if len(candidates) > 1 and _place_of(plant, candidates[1]) != _place_of(plant, candidates[0]):
        steps.append("If that is not it: " + _action(plant, candidates[1]))
    elif len(candidates) > 1:
        steps.append(_decide(plant, candidates))
    return " ".join(steps)


def _place_of(plant: Plant, candidate: Candidate) -> str | None:
    if candidate.kind is FaultKind.METER and candidate.subject is not None:
        run = plant.run_of_meter(candidate.subject)
        return run.name if run is not None else candidate.subject
    return candidate.subject or candidate.part


def _action(plant: Plant, candidate: Candidate) -> str:
    subject = candidate.subject
    if candidate.kind is FaultKind.RESTRICTION:
        run = next(run for run in plant.runs if run.name == subject)
        look = f"Look at the {subject} branch: valve handle, hose, fittings"
        return f"{look}; then rinse or change the {run.media}." if run.media else f"{look}; clean what has grown in."
    if candidate.kind is FaultKind.OPENING:
        return f"Look at the {subject} branch at once for a leak or a hose that has come off; then at its valve."
    return _supply_action(candidate) if candidate.kind is FaultKind.SUPPLY else _instrument_action(plant, subject)


def _supply_action(candidate: Candidate) -> str:
    if candidate.flow_change_percent >= 0:
        return "Check the pump's speed setting; write a wanted change in the journal."
    if candidate.part is not None:
        return _TO_DO[candidate.part]
    return (
        "Unplug the pump, then clean intake, impeller and volute; check the trunk's valve and the speed setting. "
        "At one speed no flow meter can tell these apart; clearbore steptest plans a step of the speed that may."
    )


def _instrument_action(plant: Plant, name: str | None) -> str:
    if name in plant.gauge_names:
        return check_gauge(name, plant.gauge_kinds)
    return f"Check meter {name}: rotor, sensor and wire; then a bucket test of its K-factor."


def check_gauge(name: str | None, gauges: Gauges) -> str:
    """What to do about a gauge that reads wrong; `gauges` are the plant's, by what they read."""
    if gauges.get(name or "") is GaugeKind.POWER:
        return (
            f"Check gauge {name}: that it reads the pump alone, and the mains' voltage. If it holds, unplug the pump "
            "and turn its impeller by hand: it should go round freely and quietly."
        )
    return f"Check gauge {name}: its tap and line, its zero with the line open to the air, sensor and wire."


def join_late(meter: str, run: str | None) -> str:
    """What to do about a meter that commissioning left out."""
    sits = "" if run is None else f" ({run})"
    return (
        f"Meter {meter}{sits} was left out of the commissioning and is not judged. Once it works, commission it alone: "
        f"clearbore commission PLANT --meter {shlex.quote(meter)} --from TIME"
    )


def _decide(plant: Plant, candidates: tuple[Candidate, ...]) -> str:
    meter = next((c.subject for c in candidates[:2] if c.kind is FaultKind.METER), None)
    run = plant.run_of_meter(meter) if meter is not None else None
    if run is None:
        return ""
    return f"A bucket test at the {run.name} outlet decides: if the bucket agrees with meter {meter}, it is the branch."


def status_of(candidate: Candidate, *, sudden: bool) -> Status:
    """The NE 107 word for a finding."""
    if candidate.kind is FaultKind.METER and candidate.flow_change_percent < FAILED_PERCENT:
        return Status.FAILURE
    if sudden:
        return Status.OUT_OF_SPECIFICATION
    return Status.MAINTENANCE_REQUIRED

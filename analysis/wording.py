"""Findings in plain words: what it could be, and what to do this week.

Only causes that flow meters cannot tell apart stand together in one list; the order within a list means nothing.
"""

from collections.abc import Collection

from analysis.assessment import Candidate, FaultKind, Status
from config.plant import Plant

FAILED_LOG = -2.5
FAILED_PERCENT = -90.0
NEAR_CERTAIN = 0.995


def could_be(plant: Plant, kind: FaultKind, subject: str | None, *, size: float, sudden: bool) -> tuple[str, ...]:
    """Causes that no flow meter can tell apart.

    Args:
        plant: for media.
        kind: of the fault.
        subject: run or meter that it sits on.
        size: log change of what it touches.
        sudden: it came at once rather than grew.
    """
    if kind is FaultKind.RESTRICTION:
        return _restriction(plant, subject, sudden=sudden)
    if kind is FaultKind.OPENING:
        return ("a valve turned open", "a bed that channels or lost its media", "a hose that has come off or leaks")
    if kind is FaultKind.SUPPLY:
        return _supply(size)
    return _gauge(size) if subject in plant.gauge_names else _meter(size)


def _supply(size: float) -> tuple[str, ...]:
    if size > 0:
        return ("a higher pump speed", "an intake or trunk that has come free")
    return ("a fouled or worn impeller", "a blocked intake or trunk", "a lower pump speed")


def _meter(size: float) -> tuple[str, ...]:
    if size < FAILED_LOG:
        return ("a stuck or broken rotor", "a loose wire or a dead sensor")
    if size < 0:
        return ("a fouled rotor that reads low", "a wire or sensor that drops pulses")
    return ("air bubbles in the meter", "an electrical disturbance that adds pulses", "a changed K-factor")


def _gauge(size: float) -> tuple[str, ...]:
    if size < FAILED_LOG:
        return ("a loose wire or a dead sensor", "a tap or hose of the gauge that is shut or off")
    return ("a sensor that drifts or has lost its zero", "growth or air in the line to the gauge")


def _restriction(plant: Plant, subject: str | None, *, sudden: bool) -> tuple[str, ...]:
    run = next(run for run in plant.runs if run.name == subject)
    media = (f"clogged {run.media}",) if run.media else ()
    valve = ("a valve turned toward shut",)
    hose = ("a kinked hose, or growth or debris in the branch",)
    return (*valve, *hose, *media) if sudden else (*media, *hose, *valve)


def place(kind: FaultKind, subject: str | None, gauges: Collection[str] = ()) -> str:
    """The fault's place as one would say it; `gauges` are the plant's, told from its meters."""
    return {
        FaultKind.RESTRICTION: f"{subject} is restricted",
        FaultKind.OPENING: f"{subject} is more open than it was",
        FaultKind.SUPPLY: "the supply has changed at pump, intake or trunk",
        FaultKind.METER: f"{_instrument(subject, gauges)} {subject} reads wrong",
    }[kind]


def _instrument(name: str | None, gauges: Collection[str]) -> str:
    return "gauge" if name in gauges else "meter"


def headline(candidates: tuple[Candidate, ...], gauges: Collection[str] = ()) -> str:
    """One sentence: the leading cause, how sure, and the runner-up where it counts."""
    first = candidates[0]
    moved = f"{abs(first.flow_change_percent):.0f} % {'less' if first.flow_change_percent < 0 else 'more'}"
    what = {
        FaultKind.RESTRICTION: f"{first.subject} gets {moved} flow",
        FaultKind.OPENING: f"{first.subject} gets {moved} flow",
        FaultKind.SUPPLY: f"The pump delivers {moved} in all",
        FaultKind.METER: f"Meter {first.subject} shows {moved} than flows"
        if _instrument(first.subject, gauges) == "meter"
        else f"Gauge {first.subject} shows {moved} pressure than there is",
    }[first.kind]
    sure = f"{place(first.kind, first.subject, gauges)} ({percent(first.probability)})"
    if len(candidates) > 1:
        rival = candidates[1]
        return f"{what}: {sure}, or {place(rival.kind, rival.subject, gauges)} ({percent(rival.probability)})."
    return f"{what}: {sure}."


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
    return candidate.subject


def _action(plant: Plant, candidate: Candidate) -> str:
    subject = candidate.subject
    if candidate.kind is FaultKind.RESTRICTION:
        run = next(run for run in plant.runs if run.name == subject)
        look = f"Look at the {subject} branch: valve handle, hose, fittings"
        return f"{look}; then rinse or change the {run.media}." if run.media else f"{look}; clean what has grown in."
    if candidate.kind is FaultKind.OPENING:
        return f"Look at the {subject} branch at once for a leak or a hose that has come off; then at its valve."
    if candidate.kind is FaultKind.SUPPLY and candidate.flow_change_percent < 0:
        return (
            "Unplug the pump, then clean intake, impeller and volute; check the trunk's valve and the speed setting. "
            "At one speed no flow meter can tell these apart; clearbore steptest plans a step of the speed that may."
        )
    if candidate.kind is FaultKind.SUPPLY:
        return "Check the pump's speed setting; write a wanted change in the journal."
    if subject in plant.gauge_names:
        return check_gauge(subject)
    return f"Check meter {subject}: rotor, sensor and wire; then a bucket test of its K-factor."


def check_gauge(name: str | None) -> str:
    """What to do about a gauge that reads wrong."""
    return f"Check gauge {name}: its tap and line, its zero with the line open to the air, sensor and wire."


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

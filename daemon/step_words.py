"""A step of the pump's speed, planned or read, as a keeper reads it and as JSON."""

import datetime as dt
import math
from collections.abc import Iterator, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from analysis.assessment import FaultKind, SupplyPart
from analysis.speed_step import SpeedStep
from analysis.step_causes import Cause
from analysis.step_plan import PairOdds, RunInStep, RunState, StepOption, StepPlan
from analysis.step_reading import SPEAKS, CauseReading, MeterReading, StepReading
from analysis.wording import NO_GAUGES, Gauges, check_gauge, percent, place
from config.plant import Plant
from config.units import show_flow
from daemon import clock
from daemon.predict_words import LPH_PER_M3S
from daemon.stepping import Planned, Read
from daemon.tables import columns

MOST_ODDS = 1000.0
_LESS = {
    SupplyPart.IMPELLER: "a worn or fouled impeller",
    SupplyPart.INTAKE: "a blocked intake or trunk",
    SupplyPart.SPEED: "a lower pump speed than was set",
}
_MORE = {
    SupplyPart.IMPELLER: "a stronger impeller",
    SupplyPart.INTAKE: "an intake or trunk that has come free",
    SupplyPart.SPEED: "a higher pump speed than was set",
}
_TO_DO = {
    SupplyPart.IMPELLER: "Unplug the pump; clean and look at impeller and volute.",
    SupplyPart.INTAKE: "Unplug the pump; clean the intake, and look through the trunk and its valve.",
    SupplyPart.SPEED: "Look at the controller's setting and at what the pump is supplied with.",
}


def plan_lines(plant: Plant, plant_path: str, planned: Planned) -> Iterator[str]:
    """What the plan says: what each step shows, harms and decides, and how to go about it."""
    plan = planned.plan
    yield f"{plant.name}: a step of the pump's speed, from {_speed(plan.speed)} for {plan.minutes:.3g} minutes and back"
    if planned.finding is not None:
        yield f"The finding: {planned.finding.summary}"
    else:
        yield "No finding is open. A step now is what later ones are compared with; what it would tell of an example:"
    yield ""
    yield from columns(
        [
            ("to", f"true cause's probability (now {percent(plan.named_now)})", "what it does to the branches"),
            *_options(plan),
        ]
    )
    shown = plan.best if plan.best is not None else 0
    option = plan.options[shown]
    yield ""
    yield from _advice(plan)
    yield ""
    yield f"At {_speed(option.speed)} the plant as commissioned would show:"
    yield from columns([("  run", "meter", "now", "in the step", "change", ""), *_run_rows(plant, option)])
    yield ""
    if option.pairs:
        yield f"What {_speed(option.speed)} would decide, on average over {plan.minutes:.3g} minutes:"
        yield from (f"  {_pair(pair)}" for pair in option.pairs)
        yield from _without_reference(plan)
        yield ""
    if _is_worth_making(plan):
        yield from _how(plant_path, plan, option)


def _without_reference(plan: StepPlan) -> Iterator[str]:
    if not plan.reference:
        yield "No equal step of the healthy plant is known. With one to compare with, made soon after commissioning, these"
        yield "odds would be better: the pump's curve, heights and the controller's setting would no longer matter."


def _is_worth_making(plan: StepPlan) -> bool:
    """Whether some step harms nothing, and tells something or serves as what later ones are compared with."""
    if plan.best is None:
        return False
    return plan.finding is None or not all(pair.hopeless for pair in plan.options[plan.best].pairs)


def _options(plan: StepPlan) -> list[tuple[str, str, str]]:
    return [(_speed(option.speed), percent(option.named), _harm(option)) for option in plan.options]


def _harm(option: StepOption) -> str:
    by_state = {
        state: [run.run for run in option.runs if run.state is state]
        for state in RunState
        if state is not RunState.FINE
    }
    parts = [f"{', '.join(names)}: {state.value}" for state, names in by_state.items() if names]
    return "; ".join(parts) or "none is starved"


def _advice(plan: StepPlan) -> Iterator[str]:
    if plan.best is None:
        yield "None of these steps is safe to make: each would stop, starve or turn back a branch. Name a smaller one with --to."
        return
    best = plan.options[plan.best]
    if not best.pairs:
        yield "Only one cause is left in the finding: a step has nothing to decide."
        return
    if all(pair.hopeless for pair in best.pairs):
        yield "No safe one of these steps would tell the causes apart. A bucket test or one more meter may."
        return
    yield f"The best of them that starves no branch: {_speed(best.speed)}."


def _run_rows(plant: Plant, option: StepOption) -> list[tuple[str, ...]]:
    return [
        (
            f"  {run.run}",
            run.meter or "none",
            show_flow(run.before_m3s, plant.flow_unit),
            show_flow(run.during_m3s, plant.flow_unit),
            _change(run),
            _note(run),
        )
        for run in option.runs
    ]


def _change(run: RunInStep) -> str:
    return f"{100.0 * (run.during_m3s / run.before_m3s - 1.0):+.1f} %" if run.before_m3s > 0 else "-"


def _note(run: RunInStep) -> str:
    if run.state is RunState.FINE:
        return ""
    return f"{run.state.value}, if the worst of the causes holds ({100.0 * run.least_share:.0f} % of its flow)"


def _pair(pair: PairOdds) -> str:
    verdict = "decides" if pair.decided else "cannot tell" if pair.hopeless else "leans, no more"
    return f"{cause_words(pair.first)}, or {cause_words(pair.second)}: {_odds(pair.odds)}, {verdict}"


def _odds(odds: float) -> str:
    return (
        f"over {MOST_ODDS:.0f} : 1" if odds > MOST_ODDS else f"{odds:.2g} : 1" if odds < SPEAKS else f"{odds:.0f} : 1"
    )


def _how(plant_path: str, plan: StepPlan, option: StepOption) -> Iterator[str]:
    down, back = 100.0 * option.speed, 100.0 * plan.speed
    yield "How: set the pump and write it down in the same minute, touch nothing else, and stay beside the tank."
    yield f'  clearbore journal {plant_path} pump_speed pump {down:.4g}     (or: clearbore steptest {plant_path} --begin "{down:.4g} %")'
    yield f"  after {plan.minutes:.3g} minutes set it back:"
    yield f"  clearbore journal {plant_path} pump_speed pump {back:.4g}     (or: clearbore steptest {plant_path} --end)"
    yield f"  a quarter of an hour later: clearbore steptest {plant_path}"
    yield "Before you begin:"
    yield "- Look at the animals, before, during and after; set the pump back at once if they or the water look wrong."
    yield "- Less flow means that the display drains into the sump: see that the sump has room, and that no return runs back."
    yield "- A steriliser or reactor has a least flow that its maker gives. Where the step goes below it, switch the lamp or"
    yield "  the heating off first, and on again after; stop the dosing of lime water and gas into a reactor for that time."
    yield "- How long a branch may do with less is the animals' and the makers' to say; ten minutes are common practice, no source."


def cause_words(cause: Cause) -> str:
    """A cause as one would say it."""
    if cause.part is not None:
        return (_LESS if cause.size < 0 else _MORE)[cause.part]
    return place(cause.kind, cause.subject, _gauges(cause))


def _gauges(cause: Cause) -> Gauges:
    """A cause's own gauge, by what it reads."""
    return NO_GAUGES if cause.gauge is None or cause.subject is None else {cause.subject: cause.gauge}


def reading_lines(plant: Plant, read: Read) -> Iterator[str]:
    """What a step told, in the order in which one asks: what was done, what it means, the evidence, what to do."""
    reading = read.reading
    zone = ZoneInfo(plant.timezone)
    yield f"{plant.name}: {_step_words(reading.step, zone)} (times by {plant.timezone})"
    if read.finding is not None:
        yield f"The finding when it began: {read.finding.summary}"
    if reading.reference is not None:
        yield f"Compared with the same on the healthy plant: {_step_words(reading.reference, zone)}."
    elif reading.causes:
        yield "No equal step of the healthy plant is known, so the pump's curve and the outlets' heights count as they are"
        yield "written, with their uncertainty."
    yield ""
    yield verdict(reading)
    yield ""
    yield from columns([_head(reading), *(_meter_row(row, reading) for row in reading.meters)])
    yield from (f"  {row.run} ({row.meter}) does not count: {row.left_out}." for row in reading.meters if row.left_out)
    if reading.causes:
        yield ""
        yield from columns([("cause", "before", "after", "explains the step"), *map(_cause_row, reading.causes)])
        yield ""
        yield f"What to do: {to_do(reading)}"
    yield "An alarm is no substitute for looking at the animals."


def verdict(reading: StepReading) -> str:
    """What a step told, in a sentence or two."""
    during = _speed(reading.step.during)
    if not reading.causes:
        if reading.explained:
            return "No finding was open, and the plant answered as commissioned. Later steps to this speed can be compared with it."
        return (
            "No finding was open, and yet the plant did not answer as commissioned. "
            f"Was the pump really set to {during}, and was nothing else touched?"
        )
    best = reading.alike[0] if reading.alike else reading.causes[0]
    if not reading.explained:
        return (
            "None of the causes explains what the meters showed, so believe no figure below. "
            f"Was the pump really set to {during} and back, and was nothing else touched?"
        )
    if len(reading.causes) == 1:
        return f"There was only one cause to weigh, and the step agrees with it: {cause_words(best.cause)}."
    if not reading.tells:
        return "This step cannot tell: every cause explains it about as well as any other (less than 3 : 1)."
    alike = [cause_words(item.cause) for item in reading.alike if item is not best]
    speaks = f"The step speaks for {cause_words(best.cause)} ({percent(best.probability)} now, {percent(best.prior)} before)."
    return f"{speaks} It cannot tell that from {_listed(alike)}." if alike else speaks


def to_do(reading: StepReading) -> str:
    """What to do next, by what is likeliest now."""
    first = reading.causes[0].cause
    if first.part is not None:
        return _TO_DO[first.part]
    if first.gauge is not None:
        return check_gauge(first.subject, _gauges(first))
    if first.kind is FaultKind.METER or any(cause.cause.kind is FaultKind.METER for cause in reading.alike):
        return "A bucket test at the branch's outlet tells the branch from its meter."
    return f"Look at the {first.subject} branch: valve handle, hose, fittings, media."


def _listed(words: Sequence[str]) -> str:
    return " or ".join(words)


def _step_words(step: SpeedStep, zone: ZoneInfo) -> str:
    begin, end = (dt.datetime.fromtimestamp(at_s, zone) for at_s in (step.begin_s, step.end_s))
    return f"{_speed(step.before)} to {_speed(step.during)} and back, {begin:%Y-%m-%d %H:%M} to {end:%H:%M}"


def _head(reading: StepReading) -> tuple[str, ...]:
    words = [cause_words(item.cause) for item in reading.causes[:3]]
    return ("run (meter)", "change in the step (90 %)", "as commissioned", *words)


def _meter_row(row: MeterReading, reading: StepReading) -> tuple[str, ...]:
    expected = [f"{item.change_percent[row.meter]:+.1f} %" for item in reading.causes[:3]]
    seen = "not read"
    if not math.isnan(row.change_percent):
        seen = f"{row.change_percent:+.1f} % ({row.low_percent:+.1f} to {row.high_percent:+.1f})"
    return (f"{row.run} ({row.meter})", seen, f"{row.healthy_percent:+.1f} %", *expected)


def _cause_row(item: CauseReading) -> tuple[str, ...]:
    worse = f"{_odds(item.odds_against)} worse than the best"
    if item.odds_against < SPEAKS:
        worse = "best" if item.odds_against == 1.0 else "about as well"
    return (cause_words(item.cause), percent(item.prior), percent(item.probability), worse)


def _speed(fraction: float) -> str:
    return f"{100.0 * fraction:.4g} %"


def plan_json(plant_path: str, planned: Planned) -> dict[str, Any]:
    """A plan for machines: per cent, L/h."""
    plan = planned.plan
    best = None if plan.best is None else plan.options[plan.best]
    return {
        "plan": {
            "finding": plan.finding,
            "speed_percent": 100.0 * plan.speed,
            "minutes": plan.minutes,
            "probability_now": plan.named_now,
            "best_speed_percent": None if best is None else 100.0 * best.speed,
            "steps": [_option_json(option, plan) for option in plan.options],
            "commands": [
                f"clearbore journal {plant_path} pump_speed pump {100.0 * speed:.4g}"
                for speed in (() if best is None else (best.speed, plan.speed))
            ],
        },
        "reading": None,
    }


def _option_json(option: StepOption, plan: StepPlan) -> dict[str, Any]:
    return {
        "speed_percent": 100.0 * option.speed,
        "safe": option.safe,
        "probability_after": option.named,
        "compared_with_healthy_step": option.speed in plan.reference,
        "runs": [
            {
                "name": run.run,
                "meter": run.meter,
                "flow_before_l_per_h": run.before_m3s * LPH_PER_M3S,
                "flow_during_l_per_h": run.during_m3s * LPH_PER_M3S,
                "least_percent_left": 100.0 * run.least_share,
                "state": run.state.value or "fine",
            }
            for run in option.runs
        ],
        "pairs": [
            {"first": _cause_json(pair.first), "second": _cause_json(pair.second), "odds": pair.odds}
            for pair in option.pairs
        ],
    }


def _cause_json(cause: Cause) -> dict[str, Any]:
    return {
        "kind": cause.kind.value,
        "subject": cause.subject,
        "part": None if cause.part is None else cause.part.value,
        "flow_change_percent": 100.0 * math.expm1(cause.size),
    }


def reading_json(read: Read) -> dict[str, Any]:
    """A reading for machines: UTC with Z, per cent; null where nothing was read."""
    reading = read.reading
    return {
        "plan": None,
        "reading": {
            "finding": None if read.finding is None else read.finding.id,
            "step": _step_json(reading.step),
            "reference": None if reading.reference is None else _step_json(reading.reference),
            "tells": reading.tells,
            "explained": reading.explained,
            "verdict": verdict(reading),
            "meters": [
                {
                    "name": row.meter,
                    "run": row.run,
                    "change_percent": _known(row.change_percent),
                    "low_percent": _known(row.low_percent),
                    "high_percent": _known(row.high_percent),
                    "commissioned_percent": row.healthy_percent,
                    "left_out": row.left_out or None,
                }
                for row in reading.meters
            ],
            "causes": [
                {
                    **_cause_json(item.cause),
                    "probability_before": item.prior,
                    "probability": item.probability,
                    "odds_against": item.odds_against,
                    "change_percent": dict(item.change_percent),
                }
                for item in reading.causes
            ],
        },
    }


def _step_json(step: SpeedStep) -> dict[str, Any]:
    return {
        "begin": clock.utc_text(step.begin_s),
        "end": clock.utc_text(step.end_s),
        "speed_before_percent": 100.0 * step.before,
        "speed_during_percent": 100.0 * step.during,
    }


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value

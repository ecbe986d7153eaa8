"""What to do this week, from the findings, the meters, the pump, the targets and the forecasts."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from analysis.assessment import Assessment, FaultKind, Forecast, Status
from analysis.report import words
from analysis.report.period import DAY_S, Period
from analysis.report.trends import Lettered
from analysis.wording import join_late

PLAN_AHEAD_S = 14 * DAY_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """Something to do.

    `title`, `text` and `also` are for people; `letter` names the finding behind it, if one is.
    """

    status: Status
    title: str
    text: str
    also: str = ""
    letter: str | None = None
    forecast: Forecast | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OffTarget:
    """A branch whose flow of the last 24 hours lies outside its target, in the keeper's words."""

    run: str
    meter: str
    is_below: bool
    flow: str
    target: str


def tasks(
    assessment: Assessment, findings: Sequence[Lettered], off_target: Sequence[OffTarget], period: Period
) -> tuple[Task, ...]:
    """What to do, the most urgent first; what an open finding speaks of is not said twice."""
    current = [known for known in findings if known.is_open]
    named = {candidate.subject for known in current for candidate in known.finding.candidates} - {None}
    found = [
        *_of_findings(assessment, current, _meanwhile(off_target, named)),
        *_of_meters(assessment, named),
        *_of_left_out(assessment),
        *_of_pump(assessment, current),
        *(_of_target(branch) for branch in off_target if not current),
        *_of_forecasts(assessment, named | {branch.run for branch in off_target}, period),
    ]
    return tuple(sorted(found, key=lambda task: words.STATUS_ORDER.index(task.status)))


def _of_findings(assessment: Assessment, current: Sequence[Lettered], also: str) -> Iterator[Task]:
    forecasts = {forecast.run: forecast for forecast in assessment.forecasts}
    for known in current:
        yield Task(
            status=known.finding.status,
            title=known.finding.summary,
            text=known.finding.action,
            also=also if known is current[0] else "",
            letter=known.letter,
            forecast=forecasts.get(known.finding.candidates[0].subject or ""),
        )


def _of_meters(assessment: Assessment, named: set[str | None]) -> Iterator[Task]:
    for state in assessment.meter_states:
        if state.status is not Status.GOOD and not {state.name, state.run} & named:
            yield Task(status=state.status, title=f"Look at the meter {words.isolated(state.name)}", text=state.reason)


def _of_left_out(assessment: Assessment) -> Iterator[Task]:
    for meter in assessment.not_commissioned:
        yield Task(
            status=Status.MAINTENANCE_REQUIRED,
            title=f"Mend the meter {words.isolated(meter)}",
            text=f"{join_late(meter, None)}.",
        )


def _of_pump(assessment: Assessment, current: Sequence[Lettered]) -> Iterator[Task]:
    supply = any(known.finding.candidates[0].kind is FaultKind.SUPPLY for known in current)
    if assessment.pump_status is not Status.GOOD and not supply:
        yield Task(status=assessment.pump_status, title="Look at the pump", text=assessment.pump_reason)


def _meanwhile(off_target: Sequence[OffTarget], named: set[str | None]) -> str:
    """Branches outside their target that no open finding names: one fault moves every flow of a manifold."""
    others = [branch for branch in off_target if not {branch.run, branch.meter} & named]
    if not others:
        return ""
    said = "; ".join(f"{words.isolated(branch.run)} {branch.flow} (target {branch.target})" for branch in others)
    return f"Outside target meanwhile: {said}. One fault moves every flow, so see to this first, then look again."


def _of_target(branch: OffTarget) -> Task:
    """A branch may lie outside its target without any fault: set wrong, or built so. It is told all the same."""
    side, remedy = ("less", "open its valve or free its path") if branch.is_below else ("more", "throttle its valve")
    return Task(
        status=Status.OUT_OF_SPECIFICATION,
        title=f"{words.isolated(branch.run)} gets {side} than its target",
        text=f"{branch.flow} in the last 24 hours; the target is {branch.target}. No fault was found: "
        f"{remedy}, or set another target if the animals do well so.",
    )


def _of_forecasts(assessment: Assessment, told: set[str | None], period: Period) -> Iterator[Task]:
    for forecast in assessment.forecasts:
        if forecast.run not in told and forecast.low_s < period.end_s + PLAN_AHEAD_S:
            yield Task(
                status=Status.MAINTENANCE_REQUIRED,
                title=f"Plan work on {words.isolated(forecast.run)}",
                text="It still gets enough, and will not for long. Do it before the earliest day given here.",
                forecast=forecast,
            )

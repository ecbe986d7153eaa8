"""Everything that the page says, gathered from an assessment before any of it is drawn or worded in HTML.

Nothing is judged here that the assessment has not judged; flows are only cut, averaged and held against targets.
"""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from analysis.assessment import Assessment, Candidate, Finding, Forecast, MediaLife, MeterState, Recovery, Status
from analysis.baseline import Baseline
from analysis.events import Event, EventKind
from analysis.fitted import FigureKind, FittedFigure
from analysis.frames import HOUR_S
from analysis.hydraulics.network import Conditions, compile_network
from analysis.report import words
from analysis.report.drift import Drift
from analysis.report.fitted_words import pair_sentences
from analysis.report.gauge_trends import GaugeTrend, gauge_trends
from analysis.report.period import Period, report_period
from analysis.report.pump_chart import PumpChart, pump_chart
from analysis.report.tasks import OffTarget, Task, tasks
from analysis.report.trends import Hours, Lettered, Scene, Trend, hours_of, run_trends, whole_trend
from analysis.report.window import by_day, lowest, mean
from config.plant import Meter, Plant, Run, Target
from config.settings import PlantFile


class Verdict(StrEnum):
    """A branch's flow of the last 24 hours held against its target."""

    WITHIN = "within target"
    BELOW = "below target"
    ABOVE = "above target"
    NO_TARGET = "no target set"
    IN_DOUBT = "in doubt, for its meter is"
    NO_READING = "no reading"
    NO_METER = "not metered"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejected:
    """Input that was refused, since the database was begun: `times` lines from `source` for `reason`."""

    source: str
    reason: str
    times: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BranchLine:
    """One branch in figures, m3/s, nan unknown.

    Attributes:
        flow_m3s: mean of the last 24 hours; commissioned_m3s: when commissioned.
        mean_m3s, low_m3s: mean and lowest hour of the period; day_m3s, night_m3s: its means by local day and night.
        letters: findings whose first cause lies in this branch or its meter, open at the end of the period.
        drift: which way its flow is going; None without a meter.
    """

    name: str
    meter: str | None
    target: Target | None
    verdict: Verdict
    flow_m3s: float
    commissioned_m3s: float
    mean_m3s: float
    low_m3s: float
    day_m3s: float
    night_m3s: float
    letters: tuple[str, ...]
    drift: Drift | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterLine:
    """One meter: its state and the K-factor in force, `calibrated` where the journal superseded the plant file's."""

    meter: Meter
    state: MeterState | None
    run: str | None
    calibrated: str | None
    known_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedLine:
    """The pump's head or a branch's losses as the healthy days have them.

    `catalogue_kept` where the meters tell too little of a branch, and the catalogue's figure stays in force.
    """

    name: str
    figure: FittedFigure
    catalogue_kept: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """All of it, in the order of the page.

    `commissioned` is the pump against the manifold as commissioned; None where the baseline is not at hand. `fitted` is
    what commissioning made of the plant file's figures, the pump first, and `not_apart` what it cannot tell apart.
    """

    plant: Plant
    period: Period
    now_s: int
    last_known_s: float
    tasks: tuple[Task, ...]
    findings: tuple[Lettered, ...]
    forecasts: tuple[Forecast, ...]
    branches: tuple[BranchLine, ...]
    trends: tuple[Trend, ...]
    whole: Trend | None
    gauges: tuple[GaugeTrend, ...]
    pump_status: Status
    pump_reason: str
    meters: tuple[MeterLine, ...]
    hours: Hours
    known_share: float
    rejected: tuple[Rejected, ...]
    journal: tuple[Event, ...]
    pauses: tuple[Event, ...]
    recoveries: tuple[Recovery, ...]
    media_lives: tuple[MediaLife, ...]
    never_apart: tuple[tuple[str, str], ...]
    commissioned: PumpChart | None = None
    fitted: tuple[FittedLine, ...] = ()
    not_apart: tuple[str, ...] = ()


def gather(  # noqa: PLR0913 - what is known, from as many sources
    plant_file: PlantFile,
    assessment: Assessment,
    events: Sequence[Event],
    rejected: Sequence[Rejected],
    *,
    week: str | None,
    baseline: Baseline | None = None,
) -> Content:
    """Gather the content of a report.

    Raises:
        ValueError: `week` names no ISO week.
        InputMissing: there are no readings in the week.
        NoSolution: the plant as commissioned does not run at one of the speeds that its pump is shown at.
    """
    plant = plant_file.plant
    period = report_period(plant_file, *_span_s(assessment), week)
    past = tuple(event for event in events if event.at_s < period.end_s)
    within = [event for event in past if event.at_s >= period.start_s]
    hours = hours_of(assessment, period)
    findings = lettered(assessment.findings, period)
    scene = Scene(
        plant=plant,
        period=period,
        hours=hours,
        commissioned_m3s={state.name: state.commissioned_m3s for state in assessment.meter_states},
        events=past,
        findings=findings,
    )
    trends = run_trends(scene)
    branches = _branches(scene, assessment, trends)
    in_period = hours.hours_s >= period.start_s
    known = np.isfinite(hours.flow_m3s[in_period])
    seen = np.isfinite(hours.flow_m3s).any(axis=1)
    return Content(
        plant=plant,
        period=period,
        now_s=assessment.now_s,
        last_known_s=float(hours.hours_s[seen][-1]) if seen.any() else math.nan,
        tasks=tasks(assessment, findings, _off_target(branches, plant.flow_unit), period),
        findings=findings,
        forecasts=tuple(sorted(assessment.forecasts, key=lambda forecast: forecast.below_target_at_s)),
        branches=branches,
        trends=trends,
        whole=whole_trend(scene),
        gauges=gauge_trends(scene, assessment),
        pump_status=assessment.pump_status,
        pump_reason=assessment.pump_reason,
        meters=_meters(plant, assessment, hours, past, in_period=in_period),
        hours=hours,
        known_share=float(known.mean()) if known.size else math.nan,
        rejected=tuple(sorted(rejected, key=lambda row: (-row.times, row.source, row.reason))),
        journal=tuple(event for event in within if event.kind is not EventKind.FEED_PAUSE),
        pauses=tuple(event for event in within if event.kind is EventKind.FEED_PAUSE),
        media_lives=assessment.renewed_lives,
        recoveries=tuple(job for job in assessment.recoveries if period.trend_start_s <= job.at_s < period.end_s),
        never_apart=tuple((pair.first, pair.second) for pair in assessment.isolability if pair.hours is None),
        commissioned=None if baseline is None else _commissioned(plant, baseline),
        fitted=() if baseline is None else _fitted(baseline),
        not_apart=() if baseline is None else tuple(pair_sentences(baseline.figures)),
    )


def _commissioned(plant: Plant, baseline: Baseline) -> PumpChart:
    """The pump and the manifold as they were fitted to the healthy days."""
    state = baseline.state(compile_network(plant))
    conditions = Conditions(speed=state.speed, head_factor=state.head_factor, resistance=state.resistance)
    return pump_chart(plant, conditions=conditions)


def _fitted(baseline: Baseline) -> tuple[FittedLine, ...]:
    """What the fit made of the pump and of every branch."""
    determined = {branch.run: branch.determined for branch in baseline.branches}
    of_the_pump = [
        FittedLine(name="pump, head", figure=figure, catalogue_kept=False)
        for figure in baseline.figures
        if figure.kind is FigureKind.HEAD
    ]
    of_branches = [
        FittedLine(name=figure.subject, figure=figure, catalogue_kept=not determined[figure.subject])
        for figure in baseline.figures
        if figure.kind is FigureKind.RESISTANCE
    ]
    return (*of_the_pump, *of_branches)


def _span_s(assessment: Assessment) -> tuple[int, int]:
    """Start of the first and end of the last hour of the assessment; its time where it has none."""
    if not len(assessment.hours_s):
        return assessment.now_s, assessment.now_s
    return int(assessment.hours_s[0]), int(assessment.hours_s[-1]) + HOUR_S


def lettered(findings: Sequence[Finding], period: Period) -> tuple[Lettered, ...]:
    """The findings of the charts' stretch with their letters: open ones first, the most urgent at the top."""
    shown = [
        (finding, finding.cleared_at_s is None or finding.cleared_at_s > period.end_s)
        for finding in findings
        if finding.raised_at_s <= period.end_s
        and (finding.cleared_at_s is None or finding.cleared_at_s >= period.trend_start_s)
    ]
    shown.sort(
        key=lambda pair: (not pair[1], words.STATUS_ORDER.index(pair[0].status), pair[0].raised_at_s, pair[0].id)
    )
    return tuple(
        Lettered(letter=letter(place), finding=finding, is_open=is_open)
        for place, (finding, is_open) in enumerate(shown)
    )


def letter(place: int) -> str:
    """A, B, ... Z, AA, AB, ... for 0, 1, ..."""
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    head, tail = divmod(place, len(alphabet))
    return (letter(head - 1) if head else "") + alphabet[tail]


def verdict(flow_m3s: float, target: Target | None) -> Verdict:
    """A flow held against a target."""
    if math.isnan(flow_m3s):
        return Verdict.NO_READING
    if target is None or (target.low_m3s is None and target.high_m3s is None):
        return Verdict.NO_TARGET
    if target.low_m3s is not None and flow_m3s < target.low_m3s:
        return Verdict.BELOW
    if target.high_m3s is not None and flow_m3s > target.high_m3s:
        return Verdict.ABOVE
    return Verdict.WITHIN


def _verdict(run: Run, flow_m3s: float, doubted: Collection[str]) -> Verdict:
    """What a meter shows that reads wrong is held against no target."""
    if run.meter is None:
        return Verdict.NO_METER
    return Verdict.IN_DOUBT if run.meter in doubted else verdict(flow_m3s, run.target)


def _off_target(branches: Sequence[BranchLine], unit: str) -> list[OffTarget]:
    return [
        OffTarget(
            run=line.name,
            meter=line.meter or "",
            is_below=line.verdict is Verdict.BELOW,
            flow=words.flow(line.flow_m3s, unit),
            target=words.target(line.target, unit),
        )
        for line in branches
        if line.verdict in (Verdict.BELOW, Verdict.ABOVE)
    ]


def _first(finding: Finding) -> Candidate:
    return finding.candidates[0]


def _branches(scene: Scene, assessment: Assessment, trends: Sequence[Trend]) -> tuple[BranchLine, ...]:
    period, hours = scene.period, scene.hours
    drifts = {trend.name: trend.drift for trend in trends}
    states = {state.name: state for state in assessment.meter_states}
    in_period = hours.hours_s >= period.start_s
    day = by_day(hours.hours_s, period)
    lines = []
    for run in scene.plant.branches:
        state = states.get(run.meter or "")
        flow, _ = hours.column(run.meter or "")
        recent_m3s = state.flow_m3s if state else math.nan
        lines.append(
            BranchLine(
                name=run.name,
                meter=run.meter,
                target=run.target,
                verdict=_verdict(run, recent_m3s, assessment.doubted_meters),
                flow_m3s=recent_m3s,
                commissioned_m3s=state.commissioned_m3s if state else math.nan,
                mean_m3s=mean(flow[in_period]),
                low_m3s=lowest(flow[in_period]),
                day_m3s=mean(flow[in_period & day]),
                night_m3s=mean(flow[in_period & ~day]),
                letters=tuple(
                    known.letter
                    for known in scene.findings
                    if known.is_open and _first(known.finding).subject in {run.name, run.meter or run.name}
                ),
                drift=drifts.get(run.name),
            )
        )
    return tuple(lines)


def _meters(
    plant: Plant, assessment: Assessment, hours: Hours, past: Sequence[Event], *, in_period: np.typing.NDArray[np.bool_]
) -> tuple[MeterLine, ...]:
    states = {state.name: state for state in assessment.meter_states}
    calibrated = {
        event.target: event.value
        for event in sorted(past, key=lambda event: event.at_s)
        if event.kind is EventKind.CALIBRATION
    }
    lines = []
    for meter in plant.meters:
        flow, _ = hours.column(meter.name)
        run = plant.run_of_meter(meter.name)
        known = np.isfinite(flow[in_period])
        lines.append(
            MeterLine(
                meter=meter,
                state=states.get(meter.name),
                run=run.name if run else None,
                calibrated=calibrated.get(meter.name),
                known_share=float(known.mean()) if known.size else math.nan,
            )
        )
    return tuple(lines)

"""What each trend shows: a metered run, or the whole flow, over the period, with what was done and found."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from analysis.assessment import Assessment, FaultKind, Finding, Opinion
from analysis.events import Event, EventKind
from analysis.frames import Floats
from analysis.report import words
from analysis.report.drift import Drift, Since, drift_of
from analysis.report.period import Period, local, spans
from analysis.report.window import Row, mean, on_grid, rows
from config.plant import PUMP_NODE, Plant, Run, Target

WHOLE = "whole"
MARKS_NUMBERED = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Something at one time of a trend.

    `sign`: the finding's letter, or a number; "" where there are too many to number. `low_s`, `high_s`: a finding's
    onset interval, UTC epoch seconds; both `at_s` for an entry of the journal.
    """

    sign: str
    at_s: float
    low_s: float
    high_s: float
    is_finding: bool
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Lettered:
    """A finding with the letter that it goes by on the page; `is_open` at the end of the period."""

    letter: str
    finding: Finding
    is_open: bool


def turning_points(history: tuple[Opinion, ...]) -> tuple[Opinion, ...]:
    """The first opinion, those whose first cause or word for its probability is new, and the last if its size is."""
    shown = list(history[:1])
    for opinion in history[1:-1]:
        if _gist(opinion) != _gist(shown[-1]):
            shown.append(opinion)
    last = history[-1:]
    new = last and shown and (_gist(last[0]) != _gist(shown[-1]) or _size(last[0]) != _size(shown[-1]))
    return tuple(shown + list(last)) if len(history) > 1 and new else tuple(shown)


def _size(opinion: Opinion) -> str:
    return words.change(opinion.candidates[0].flow_change_percent)


def _gist(opinion: Opinion) -> tuple[FaultKind, str | None, str]:
    first = opinion.candidates[0]
    return first.kind, first.subject, words.sureness(first.probability).partition(" (")[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """One trend; arrays [T] over the period's hours, m3/s, nan unknown.

    `kind`: "branch", "header" (an inner run) or "whole" (the pump's flow). `commissioned_m3s`: nan where unknown.
    `drift`: which way it is going.
    """

    name: str
    kind: str
    meter: str | None
    hours_s: Floats
    flow_m3s: Floats
    expected_m3s: Floats
    commissioned_m3s: float
    target: Target | None
    marks: tuple[Mark, ...]
    rows: tuple[Row, ...]
    drift: Drift

    @property
    def last_day_m3s(self) -> float:
        """Mean of the last 24 hours; nan unknown."""
        return mean(self.flow_m3s[-24:])


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """The hours of the charts on a grid without holes: hours_s [T], flows [T, M] m3/s by column of `meters`."""

    meters: tuple[str, ...]
    hours_s: Floats
    flow_m3s: Floats
    expected_m3s: Floats

    def column(self, meter: str) -> tuple[Floats, Floats]:
        """Measured and expected flow of one meter, [T]; unknown throughout for a meter that is not there."""
        if meter not in self.meters:
            nothing = np.full(len(self.hours_s), np.nan)
            return nothing, nothing
        place = self.meters.index(meter)
        return self.flow_m3s[:, place], self.expected_m3s[:, place]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What every trend is drawn from; `commissioned_m3s` by meter, `events` up to the end of the period."""

    plant: Plant
    period: Period
    hours: Hours
    commissioned_m3s: dict[str, float]
    events: tuple[Event, ...]
    findings: tuple[Lettered, ...]

    def marks(self, names: set[str]) -> tuple[Mark, ...]:
        """What the journal and the findings say of any of the names."""
        return _marks(names, self.events, self.findings, self.period)

    def drift(self, names: set[str], flow_m3s: Floats, expected_m3s: Floats) -> Drift:
        """Which way a flow [T] is going that work and findings on any of `names` would change."""
        zone = self.period.zone
        since = _last_change(names, self.events, self.findings, self.period)
        return drift_of(
            np.array([local(float(at_s), zone).toordinal() for at_s in self.hours.hours_s], dtype=np.int64),
            flow_m3s,
            expected_m3s,
            since_day=0 if since is None else local(since.at_s, zone).toordinal() + 1,
            since=since,
        )


def hours_of(assessment: Assessment, period: Period) -> Hours:
    """The assessment's hours from the start of the charts to the end of the period."""
    grid, flow = on_grid(assessment.hours_s, assessment.flow_m3s, period.trend_start_s, period.end_s)
    _, expected = on_grid(assessment.hours_s, assessment.expected_m3s, period.trend_start_s, period.end_s)
    return Hours(meters=assessment.meters, hours_s=grid, flow_m3s=flow, expected_m3s=expected)


def run_trends(scene: Scene) -> tuple[Trend, ...]:
    """A trend of every metered run, branches first, in file order."""
    metered = [run for run in scene.plant.runs if run.meter is not None]
    return tuple(_run_trend(scene, run) for run in sorted(metered, key=lambda run: not run.is_branch))


def _run_trend(scene: Scene, run: Run) -> Trend:
    meter = run.meter or ""
    flow, expected = scene.hours.column(meter)
    return Trend(
        name=run.name,
        kind="branch" if run.is_branch else "header",
        meter=run.meter,
        hours_s=scene.hours.hours_s,
        flow_m3s=flow,
        expected_m3s=expected,
        commissioned_m3s=scene.commissioned_m3s.get(meter, math.nan),
        target=run.target,
        marks=_marks({run.name, meter}, scene.events, scene.findings, scene.period),
        rows=rows(scene.hours.hours_s, flow, expected, spans(scene.period)),
        drift=scene.drift({run.name, meter, PUMP_NODE}, flow, expected),
    )


def whole_trend(scene: Scene) -> Trend | None:
    """The pump's flow: the meter on its run, or the sum over the branches; None without any meter on a run.

    A sum is known only in hours in which every meter of it is.
    """
    meters, name = whole_flow_meters(scene.plant)
    if not meters:
        return None
    columns = [scene.hours.column(meter) for meter in meters]
    flow = np.sum([flow for flow, _ in columns], axis=0)
    expected = np.sum([expected for _, expected in columns], axis=0)
    supply = tuple(known for known in scene.findings if known.finding.candidates[0].kind is FaultKind.SUPPLY)
    return Trend(
        name=name,
        kind=WHOLE,
        meter=None,
        hours_s=scene.hours.hours_s,
        flow_m3s=flow,
        expected_m3s=expected,
        commissioned_m3s=math.fsum(scene.commissioned_m3s.get(meter, math.nan) for meter in meters),
        target=None,
        marks=_marks({PUMP_NODE}, scene.events, supply, scene.period),
        rows=rows(scene.hours.hours_s, flow, expected, spans(scene.period)),
        drift=scene.drift({PUMP_NODE}, flow, expected),
    )


def whole_flow_meters(plant: Plant) -> tuple[tuple[str, ...], str]:
    """The meters that add up to the pump's flow, and what their sum is called."""
    from_pump = [run for run in plant.runs if run.start == PUMP_NODE]
    if from_pump and all(run.meter for run in from_pump):
        return tuple(run.meter for run in from_pump if run.meter), "Whole flow, metered at the pump"
    metered = tuple(run.meter for run in plant.branches if run.meter)
    if len(metered) == len(plant.branches):
        return metered, "Whole flow, the sum of all branches"
    return metered, f"Sum of the {len(metered)} metered branches of {len(plant.branches)}"


def _marks(
    names: set[str], events: Iterable[Event], findings: tuple[Lettered, ...], period: Period
) -> tuple[Mark, ...]:
    """What the journal and the findings say of a run, in order of time; feed pauses are left to the journal."""
    shown = [
        event
        for event in events
        if event.kind is not EventKind.FEED_PAUSE
        and (event.target in names or event.kind is EventKind.PUMP_SPEED)
        and period.trend_start_s <= event.at_s < period.end_s
    ]
    numbered = len(shown) <= MARKS_NUMBERED
    marks = [
        Mark(
            sign=str(number) if numbered else "",
            at_s=event.at_s,
            low_s=event.at_s,
            high_s=event.at_s,
            is_finding=False,
            text=words.event(event),
        )
        for number, event in enumerate(sorted(shown, key=lambda event: event.at_s), start=1)
    ]
    marks += [_finding_mark(known) for known in findings if _concerns(known.finding, names)]
    return tuple(sorted(marks, key=lambda mark: mark.at_s))


def _concerns(finding: Finding, names: set[str]) -> bool:
    """Whether the finding's first candidate lies in this run, or at the pump for a supply."""
    first = finding.candidates[0]
    return first.subject in names if first.subject is not None else PUMP_NODE in names


def _finding_mark(known: Lettered) -> Mark:
    finding = known.finding
    return Mark(
        sign=known.letter,
        at_s=finding.onset_s,
        low_s=finding.onset_low_s,
        high_s=finding.onset_high_s,
        is_finding=True,
        text="onset of finding " + known.letter,
    )


def _last_change(
    names: set[str], events: Iterable[Event], findings: tuple[Lettered, ...], period: Period
) -> Since | None:
    """The last work, or the last onset or end of a finding, on any of the names within the charts' stretch."""
    jobs = [
        Since(at_s=event.at_s, what=words.event(event))
        for event in events
        if event.kind in {EventKind.MAINTENANCE, EventKind.CALIBRATION} and event.target in names
    ]
    concerned = [known for known in findings if _concerns(known.finding, names)]
    onsets = [Since(at_s=known.finding.onset_s, what=f"onset of finding {known.letter}") for known in concerned]
    ends = [
        Since(at_s=known.finding.cleared_at_s, what=f"end of finding {known.letter}")
        for known in concerned
        if known.finding.cleared_at_s is not None
    ]
    within = [since for since in (*jobs, *onsets, *ends) if period.trend_start_s <= since.at_s < period.end_s]
    return max(within, key=lambda since: since.at_s, default=None)

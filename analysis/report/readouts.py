"""What stands beside each run of the schematic: its flow, its verdict in words and shape, the findings that lie in it.

Two sources give the same record: a prediction from the plant file, and the last day's readings of the report.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from analysis import prediction as predicted
from analysis.assessment import FaultKind
from analysis.prediction import PredictedRun, Prediction
from analysis.report import content as measured
from analysis.report import words
from analysis.report.content import BranchLine, Content
from analysis.report.trends import Lettered
from config.plant import Plant, Run, Target
from config.units import show_flow, show_head


class Mark(StrEnum):
    """The shape of a verdict; each has its words beside it."""

    FITS = "fits"
    LOW = "low"
    HIGH = "high"
    NO_TARGET = "no target"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Readout:
    """One run in words.

    Attributes:
        flow_m3s: outward positive; nan unknown. flow: in the keeper's unit.
        mark: shape of the verdict; None for a run that has none. sure: the mark is drawn full.
        verdict: in words, with the target. aside: its range, or how it stands to commissioned.
        letters: open findings whose first cause lies here.
    """

    flow_m3s: float
    flow: str
    mark: Mark | None = None
    sure: bool = True
    verdict: str = ""
    aside: str = ""
    letters: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Readouts:
    """All that the schematic shows: one readout a run in file order, and the pump's words and findings."""

    runs: tuple[Readout, ...]
    pump: tuple[str, str]
    pump_letters: tuple[str, ...] = ()


_PREDICTED = {
    predicted.Verdict.ON_TARGET: Mark.FITS,
    predicted.Verdict.TOO_LOW: Mark.LOW,
    predicted.Verdict.TOO_HIGH: Mark.HIGH,
    predicted.Verdict.NO_TARGET: Mark.NO_TARGET,
}
_MEASURED = {
    measured.Verdict.WITHIN: Mark.FITS,
    measured.Verdict.BELOW: Mark.LOW,
    measured.Verdict.ABOVE: Mark.HIGH,
    measured.Verdict.NO_TARGET: Mark.NO_TARGET,
    measured.Verdict.IN_DOUBT: Mark.UNKNOWN,
    measured.Verdict.NO_READING: Mark.UNKNOWN,
    measured.Verdict.NO_METER: Mark.UNKNOWN,
}


def predicted_readouts(plant: Plant, prediction: Prediction) -> Readouts:
    """What a prediction says beside each run."""
    unit = plant.flow_unit
    pump = (
        f"pump at {100 * prediction.speed:.0f}{words.SPACE}% of full speed",
        f"{show_flow(prediction.pump_flow_m3s, unit)} at {show_head(prediction.pump_head_m, unit)} of head",
    )
    return Readouts(runs=tuple(_predicted(run, unit) for run in prediction.runs), pump=pump)


def verdict_words(run: PredictedRun) -> str:
    """The verdict, and whether the range allows another."""
    return run.verdict.value if run.sure else f"{run.verdict.value}, not sure"


def range_words(run: PredictedRun, unit: str) -> str:
    """The 90 % interval of a flow, "950 to 1,320 L/h"."""
    return f"{show_flow(run.low_m3s, unit).removesuffix(unit).strip()} to {show_flow(run.high_m3s, unit)}".replace(
        "-", words.MINUS
    )


def _predicted(run: PredictedRun, unit: str) -> Readout:
    flow = show_flow(run.flow_m3s, unit)
    aside = f"range {range_words(run, unit).removesuffix(unit).strip()}"
    if not run.is_branch:
        return Readout(flow_m3s=run.flow_m3s, flow=flow, aside=aside)
    return Readout(
        flow_m3s=run.flow_m3s,
        flow=flow,
        mark=_PREDICTED[run.verdict],
        sure=run.sure,
        verdict=_against(verdict_words(run), run.target, unit),
        aside=aside,
    )


def _against(verdict: str, target: Target | None, unit: str) -> str:
    """The verdict with the target: "on target (1,000 to 1,800)"."""
    if target is None or (target.low_m3s is None and target.high_m3s is None):
        return verdict
    return f"{verdict} ({words.target(target, unit).removesuffix(unit).strip()})"


def measured_readouts(content: Content) -> Readouts:
    """What the last 24 hours of readings say beside each run, with the open findings."""
    lines = {line.name: line for line in content.branches}
    states = {line.run: line.state for line in content.meters if line.run is not None and line.state is not None}
    of_meter = {run: state.flow_m3s for run, state in states.items()}
    unit = content.plant.flow_unit
    runs = tuple(
        _measured(lines[run.name], unit)
        if run.is_branch
        else _inner(content.plant, run, of_meter, _letters(content.findings, run))
        for run in content.plant.runs
    )
    supply = tuple(
        known.letter
        for known in content.findings
        if known.is_open and known.finding.candidates[0].kind is FaultKind.SUPPLY
    )
    return Readouts(runs=runs, pump=("pump", str(content.pump_status)), pump_letters=supply)


def _measured(line: BranchLine, unit: str) -> Readout:
    mark = _MEASURED[line.verdict]
    known = math.isfinite(line.flow_m3s) and line.meter is not None
    verdict = _against(str(line.verdict), line.target, unit)
    return Readout(
        flow_m3s=line.flow_m3s if known else math.nan,
        flow=show_flow(line.flow_m3s, unit) if known else "",
        mark=mark,
        verdict=verdict,
        aside=f"{words.ratio(line.flow_m3s, line.commissioned_m3s)} of commissioned"
        if known and line.commissioned_m3s > 0
        else "",
        letters=line.letters,
    )


def _inner(plant: Plant, run: Run, of_meter: Mapping[str, float], letters: tuple[str, ...]) -> Readout:
    """An inner run: its own meter, or the sum of all branches behind it where each of them is measured."""
    unit = plant.flow_unit
    own = of_meter.get(run.name, math.nan)
    if math.isfinite(own):
        return Readout(flow_m3s=own, flow=show_flow(own, unit), letters=letters)
    total = math.fsum(of_meter.get(name, math.nan) for name in _branches_behind(plant, run))
    if math.isfinite(total):
        return Readout(flow_m3s=total, flow=show_flow(total, unit), aside="sum of its branches", letters=letters)
    return Readout(flow_m3s=math.nan, flow="", aside="not measured", letters=letters)


def _branches_behind(plant: Plant, run: Run) -> list[str]:
    if run.is_branch:
        return [run.name]
    return [name for child in plant.runs if child.start == run.end for name in _branches_behind(plant, child)]


def _letters(findings: Sequence[Lettered], run: Run) -> tuple[str, ...]:
    subjects = {run.name, run.meter} - {None}
    return tuple(
        known.letter for known in findings if known.is_open and known.finding.candidates[0].subject in subjects
    )

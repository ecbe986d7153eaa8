"""A prediction as a table that a keeper reads, and as JSON."""

import math
from typing import Any

from analysis.prediction import PredictedRun, Prediction, Verdict
from config.plant import Plant, Target
from config.units import show_flow, show_head
from daemon.tables import columns

LPH_PER_M3S = 3.6e6
COSTLY_SHOWN = 3


def lines_of(plant: Plant, prediction: Prediction) -> list[str]:
    """The prediction in text: the pump, a table of runs, where the head goes, and what to mind."""
    unit = plant.flow_unit
    pump = (
        f"{plant.name}: the pump at {prediction.speed:.0%} of full speed gives "
        f"{show_flow(prediction.pump_flow_m3s, unit)} at {show_head(prediction.pump_head_m, unit)}"
    )
    rows = [_HEADINGS, *(_row(run, unit) for run in prediction.runs if run.is_branch)]
    inner = [_row(run, unit) for run in prediction.runs if not run.is_branch]
    return [
        pump,
        "",
        *_table(rows + inner, after=len(rows)),
        "",
        "Where the head goes in each branch:",
        *(f"  {run.name}: {_costliest(run, unit)}" for run in prediction.runs if run.is_branch),
        *_notes(prediction),
        "",
        "Nine plants in ten that are built as this file says get a flow within the range; catalogue figures are no",
        "better than that. Once it runs, `clearbore commission` fits the plant to what the meters show.",
    ]


def json_of(prediction: Prediction) -> dict[str, Any]:
    """The prediction for machines: L/h, m, m/s."""
    return {
        "pump": {
            "flow_l_per_h": _lph(prediction.pump_flow_m3s),
            "head_m": _rounded(prediction.pump_head_m),
            "speed": prediction.speed,
        },
        "runs": [_run_json(run) for run in prediction.runs],
        "nodes": [{"name": node.name, "head_m": _rounded(node.head_m)} for node in prediction.nodes],
        "warnings": list(prediction.warnings),
    }


_HEADINGS = ("branch", "flow", "range (90 %)", "target", "", "fastest", "head loss")


def _row(run: PredictedRun, unit: str) -> tuple[str, ...]:
    return (
        run.name,
        show_flow(run.flow_m3s, unit),
        range_words(run, unit),
        target_words(run.target, unit),
        verdict_words(run),
        f"{run.velocity_m_s:.2f} m/s",
        show_head(run.head_loss_m, unit),
    )


def verdict_words(run: PredictedRun) -> str:
    """The flow against its target; nothing without one."""
    if run.verdict is Verdict.NO_TARGET:
        return ""
    return run.verdict.value if run.sure else f"{run.verdict.value}, not sure"


def target_words(target: Target | None, unit: str) -> str:
    """A target without its unit, as in a table: "220 to 420"."""
    if target is None or (target.low_m3s is None and target.high_m3s is None):
        return "-"
    if target.high_m3s is None:
        return f"from {_number(target.low_m3s or 0.0, unit)}"
    if target.low_m3s is None:
        return f"up to {_number(target.high_m3s, unit)}"
    return f"{_number(target.low_m3s, unit)} to {_number(target.high_m3s, unit)}"


def range_words(run: PredictedRun, unit: str) -> str:
    """The interval of a flow without its unit: "950 to 1,320"."""
    return f"{_number(run.low_m3s, unit)} to {_number(run.high_m3s, unit)}"


def _number(flow_m3s: float, unit: str) -> str:
    return show_flow(flow_m3s, unit).removesuffix(f" {unit}")


def _table(rows: list[tuple[str, ...]], *, after: int) -> list[str]:
    """Columns in line; a heading for the inner runs before row `after`, if there are any."""
    lines = columns(rows)
    if after < len(lines):
        lines.insert(after, "between the pump and the branches:")
    return lines


def _costliest(run: PredictedRun, unit: str) -> str:
    """The elements that cost most head, with their share of the run's."""
    costly = sorted(run.losses, key=lambda loss: -abs(loss.head_loss_m))[:COSTLY_SHOWN]
    total = sum(abs(loss.head_loss_m) for loss in run.losses)
    if total == 0.0:
        return "no loss without flow"
    return "; ".join(
        f"{loss.label} {show_head(loss.head_loss_m, unit)} ({abs(loss.head_loss_m) / total:.0%})" for loss in costly
    )


def _notes(prediction: Prediction) -> list[str]:
    notes = [f"note: {warning}" for warning in prediction.warnings]
    notes += [f"note: {run.name}: {warning}" for run in prediction.runs for warning in run.warnings]
    return ["", *notes] if notes else []


def _run_json(run: PredictedRun) -> dict[str, Any]:
    target = run.target or Target()
    return {
        "name": run.name,
        "branch": run.is_branch,
        "flow_l_per_h": _lph(run.flow_m3s),
        "flow_low_l_per_h": _lph(run.low_m3s),
        "flow_high_l_per_h": _lph(run.high_m3s),
        "velocity_m_per_s": _rounded(run.velocity_m_s),
        "regime": run.regime.value,
        "head_loss_m": _rounded(run.head_loss_m),
        "target_low_l_per_h": None if target.low_m3s is None else _lph(target.low_m3s),
        "target_high_l_per_h": None if target.high_m3s is None else _lph(target.high_m3s),
        "within_target": run.within_target,
        "verdict": run.verdict.value,
        "sure": run.sure,
        "losses": [
            {"element": loss.label, "kind": loss.kind, "head_loss_m": _rounded(loss.head_loss_m)} for loss in run.losses
        ],
        "warnings": list(run.warnings),
    }


def _lph(flow_m3s: float) -> float:
    return round(flow_m3s * LPH_PER_M3S, 3)


def _rounded(value: float) -> float:
    return 0.0 if math.isclose(value, 0.0, abs_tol=5e-7) else round(value, 6)

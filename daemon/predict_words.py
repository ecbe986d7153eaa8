"""A prediction as a table that a keeper reads, and as JSON."""

import math
from collections.abc import Sequence
from typing import Any

from analysis.design.costs import Cost
from analysis.hydraulics.network import TeeLaw
from analysis.prediction import PredictedRun, Prediction, Verdict
from config.plant import Plant, Target
from config.units import show_flow, show_head, show_velocity
from daemon.tables import columns

LPH_PER_M3S = 3.6e6


def lines_of(plant: Plant, prediction: Prediction) -> list[str]:
    """The prediction in text: the pump, a table of runs, where the head goes, and what to mind."""
    unit = plant.flow_unit
    rows = [_HEADINGS, *(_row(run, unit) for run in prediction.runs if run.is_branch)]
    inner = [_row(run, unit) for run in prediction.runs if not run.is_branch]
    return [
        f"{plant.name}: the pump at {prediction.speed:.0%} of full speed {pump_words(prediction, unit)}",
        "",
        *_table(rows + inner, after=len(rows)),
        "",
        "Where the head goes: what costs each branch most on its way from the pump, and what it would gain if that cost",
        "half:",
        *_cost_lines(prediction, unit),
        *_notes(prediction),
        *(["", "Tees are worked out by how the flow splits at them."] if prediction.tees is TeeLaw.BY_SPLIT else []),
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
        "tees": prediction.tees.value,
        "warnings": list(prediction.warnings),
        "costliest": [cost_json(cost) for cost in prediction.costs],
    }


def pump_words(prediction: Prediction, unit: str) -> str:
    """What the pump gives, as the end of a sentence; one that is overcome gives nothing."""
    if prediction.pump_flow_m3s == 0.0:
        return "moves no water"
    return f"gives {show_flow(prediction.pump_flow_m3s, unit)} at {show_head(prediction.pump_head_m, unit)}"


def cost_rows(costs: Sequence[Cost], unit: str) -> list[list[str]]:
    """Rows of a table: the branch (once), the element, what it costs, its share of the way, what half of it gives."""
    rows = []
    branch = ""
    for cost in costs:
        where = cost.label if cost.run == cost.branch else f"{cost.label} ({cost.run})"
        gain = "not to be told" if cost.gain is None else f"{percent(cost.gain)} %"
        name = "" if cost.branch == branch else cost.branch
        rows.append([f"  {name}", where, show_head(cost.head_loss_m, unit), f"{cost.share:.0%} of the way", gain])
        branch = cost.branch
    return rows


def percent(share: float) -> str:
    """A change in per cent with its sign and one decimal, without the unit."""
    return f"{100.0 * share:+.1f}".replace("-0.0", "0.0").replace("+0.0", "0.0")


def cost_json(cost: Cost) -> dict[str, Any]:
    """What an element costs, for machines: m, per cent."""
    return {
        "branch": cost.branch,
        "run": cost.run,
        "element": cost.label,
        "kind": cost.kind,
        "head_loss_m": round(cost.head_loss_m, 6),
        "share_percent": round(100.0 * cost.share, 4),
        "gain_if_halved_percent": None if cost.gain is None else round(100.0 * cost.gain, 4),
    }


_HEADINGS = ("branch", "flow", "range (90 %)", "target", "", "fastest", "head loss")


def _row(run: PredictedRun, unit: str) -> tuple[str, ...]:
    return (
        run.name,
        show_flow(run.flow_m3s, unit),
        range_words(run, unit),
        target_words(run.target, unit),
        verdict_words(run),
        show_velocity(run.velocity_m_s, unit),
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


def _cost_lines(prediction: Prediction, unit: str) -> list[str]:
    """The costs of every branch, and the branches that have none."""
    told = {cost.branch for cost in prediction.costs}
    without = [run.name for run in prediction.runs if run.is_branch and run.name not in told]
    lines = columns(cost_rows(prediction.costs, unit)) if prediction.costs else []
    return [*lines, *(f"  {name}: nothing flows outward" for name in without)]


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

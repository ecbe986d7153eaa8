"""What a plant needs of its pump, and how it is balanced, as a keeper reads it and as JSON."""

from typing import Any

from analysis.design.duty import Duty
from analysis.design.obstacles import Obstacle, ObstacleKind
from analysis.design.sizing import ONE_SIZE, Balanced, Opening, Sizing
from analysis.prediction import PredictedRun
from config.plant import Plant
from config.units import show_flow, show_head
from daemon import predict_words
from daemon.predict_words import LPH_PER_M3S
from daemon.tables import columns

TABLE_ENDS_DEG = 60.0
_TURN_DEG = 90.0

CAUTIONS = (
    "Unplug a pump before you work on it, and keep hands out of the water until then; a stopped pump can drain the",
    "display back through the manifold. Open valves slowly and watch sump, overflow and outlets until levels are",
    "steady. Local codes and licensed practice come first.",
)


def lines_of(plant: Plant, sizing: Sizing) -> list[str]:
    """The sizing in text: what the pump must give, how to set the valves, what cannot be had, what to mind."""
    unit = plant.flow_unit
    return [
        *_duty_lines(plant, sizing),
        "",
        *_balance_lines(sizing, unit),
        "",
        *_notes(sizing, unit),
        *CAUTIONS,
    ]


def json_of(sizing: Sizing) -> dict[str, Any]:
    """The sizing for machines: L/h, m, degrees, shares."""
    bigger = None
    if sizing.bigger_flow_m3s is not None and sizing.bigger_head_m is not None:
        bigger = {
            "flow_l_per_h": _lph(sizing.bigger_flow_m3s),
            "head_m": round(sizing.bigger_head_m, 4),
            "allowance": ONE_SIZE - 1.0,
            "source": "common practice, no source",
        }
    balanced = sizing.balanced
    return {
        "margin": sizing.margin,
        "duty": duty_json(sizing.duty),
        "one_size_bigger": bigger,
        "balance": {
            "speed": round(balanced.speed, 5),
            "needs_met": balanced.needs_met,
            "aims_met": balanced.aims_met,
            "share_of_needs": round(min(balanced.share, 1.0), 5),
            "valves": [_opening_json(opening) for opening in balanced.openings],
            "prediction": predict_words.json_of(balanced.prediction),
        },
        "untrimmable": list(sizing.untrimmable),
        "untouched": list(sizing.untouched),
        "impossible": [_obstacle_json(obstacle) for obstacle in sizing.obstacles],
    }


def duty_json(duty: Duty) -> dict[str, Any]:
    """A duty point for machines."""
    return {
        "flow_l_per_h": _lph(duty.flow_m3s),
        "head_m": round(duty.head_m, 4),
        "head_low_m": round(duty.low_head_m, 4),
        "head_high_m": round(duty.high_head_m, 4),
        "branch": duty.hungriest,
        "speed": round(duty.speed, 5),
        "speed_low": round(duty.low_speed, 5),
        "speed_high": round(duty.high_speed, 5),
        "speed_limit": round(duty.limit_speed, 5),
        "reached": duty.reached,
    }


def _duty_lines(plant: Plant, sizing: Sizing) -> list[str]:
    duty, unit = sizing.duty, plant.flow_unit
    head_range = f"90 %: {show_head(duty.low_head_m, unit)} to {show_head(duty.high_head_m, unit)}"
    lines = [
        f"{plant.name}: for every branch to get its low target and {sizing.margin:.0%} more, the pump must give at least",
        f"  {show_flow(duty.flow_m3s, unit)} at {show_head(duty.head_m, unit)} ({head_range})",
        f"{duty.hungriest} decides it, with its way fully open.",
    ]
    range_of = f"90 %: {duty.low_speed:.0%} to {duty.high_speed:.0%}"
    if duty.reached:
        sure = "" if duty.high_speed <= duty.limit_speed else ", so it may fall short"
        lines.append(f"The plant's pump just does it at {duty.speed:.0%} of full speed ({range_of}{sure}).")
    else:
        lines.append(
            f"The plant's pump does not: it would have to run at {duty.speed:.0%} of full speed ({range_of}), "
            f"and {duty.limit_speed:.0%} is its limit here."
        )
    if sizing.bigger_flow_m3s is not None and sizing.bigger_head_m is not None:
        lines.append(
            f"One size bigger, {ONE_SIZE - 1.0:.0%} more of both: {show_flow(sizing.bigger_flow_m3s, unit)} at "
            f"{show_head(sizing.bigger_head_m, unit)} (common practice, no source)."
        )
    return lines


def _balance_lines(sizing: Sizing, unit: str) -> list[str]:
    balanced = sizing.balanced
    by_name = {opening.throttle.name: opening for opening in balanced.openings}
    rows = [
        ("branch", "valve", "set to", "flow", "range (90 %)", "target", ""),
        *(_row(run, by_name.get(run.name), sizing, unit) for run in balanced.prediction.runs if run.is_branch),
    ]
    pump = balanced.prediction
    given = f"{show_flow(pump.pump_flow_m3s, unit)} at {show_head(pump.pump_head_m, unit)}"
    return [
        _balance_heading(balanced),
        f"The pump then gives {given}.",
        "",
        *columns(rows),
    ]


def _balance_heading(balanced: Balanced) -> str:
    at = f"at {balanced.speed:.0%} of full speed"
    if balanced.aims_met:
        return f"Balanced {at}, to the middle of each target (its low one and the margin where there is no high one)."
    if balanced.needs_met:
        return f"Balanced {at}: the low targets and the margin are met, the middle of the targets is not."
    return f"Balanced {at}, its limit here: every branch gets {balanced.share:.0%} of its low target with the margin."


def _row(run: PredictedRun, opening: Opening | None, sizing: Sizing, unit: str) -> tuple[str, ...]:
    if opening is not None:
        valve, setting = opening.throttle.kind.value, _setting(opening)
    elif run.name in sizing.untrimmable:
        valve, setting = "none", "cannot be trimmed"
    else:
        valve, setting = "as it stands", "left alone"
    return (
        run.name,
        valve,
        setting,
        show_flow(run.flow_m3s, unit),
        predict_words.range_words(run, unit),
        predict_words.target_words(run.target, unit),
        predict_words.verdict_words(run),
    )


def _setting(opening: Opening) -> str:
    if opening.closed_deg == 0.0:
        return "fully open"
    return f"{1.0 - opening.closed_deg / _TURN_DEG:.0%} open ({opening.closed_deg:.0f} deg)"


def _notes(sizing: Sizing, unit: str) -> list[str]:
    notes = [f"impossible: {_obstacle_words(obstacle, unit)}" for obstacle in sizing.obstacles]
    if sizing.untrimmable:
        names = ", ".join(sizing.untrimmable)
        notes.append(f"note: without a hand valve, and so what they get is what they get: {names}")
    if sizing.untouched:
        notes.append(f"note: without a target, their valves left as they stand: {', '.join(sizing.untouched)}")
    notes += [_over_high(run, sizing.margin, unit) for run in sizing.balanced.prediction.runs if _is_over(run, sizing)]
    steep = [opening.throttle.name for opening in sizing.balanced.openings if opening.closed_deg > TABLE_ENDS_DEG]
    if steep:
        notes.append(
            f"note: more than two thirds shut, where no table says what a valve costs: {', '.join(steep)}; "
            "a smaller valve or pump would be set more surely"
        )
    warnings = sizing.balanced.prediction.warnings
    notes += [f"note: {warning}" for warning in warnings]
    notes += [f"note: {run.name}: {warning}" for run in sizing.balanced.prediction.runs for warning in run.warnings]
    return [
        *notes,
        "All other hand valves of these runs and of the header stand fully open. Two degrees of a ball valve change what",
        "it costs by a quarter: set the valves from the pump outward, then trim each by its meter, twice round.",
        "",
    ]


def _is_over(run: PredictedRun, sizing: Sizing) -> bool:
    target = run.target
    if target is None or target.low_m3s is None or target.high_m3s is None:
        return False
    return target.low_m3s * (1.0 + sizing.margin) > target.high_m3s


def _over_high(run: PredictedRun, margin: float, unit: str) -> str:
    high = run.target.high_m3s if run.target is not None and run.target.high_m3s is not None else 0.0
    return f"note: {run.name}: its low target and {margin:.0%} are more than its high target; {show_flow(high, unit)} is taken"


def _obstacle_words(obstacle: Obstacle, unit: str) -> str:
    run, wanted, given = obstacle.run, obstacle.wanted, obstacle.given
    match obstacle.kind:
        case ObstacleKind.OUTLET_TOO_HIGH:
            return (
                f"{run}: its outlet stands {show_head(wanted, unit)} above the sump, and the pump lifts "
                f"{show_head(given, unit)} at most: lower the outlet, or a pump of more head"
            )
        case ObstacleKind.HEAD_SHORT:
            return (
                f"{run}: with its valve open it takes {show_head(wanted, unit)} at the pump, and the pump gives "
                f"{show_head(given, unit)} at that flow, {show_head(wanted - given, unit)} short: wider pipe, fewer "
                "fittings, smaller targets elsewhere, or more pump (`clearbore size --change` tries them)"
            )
        case ObstacleKind.VALVE_TOO_COARSE:
            return (
                f"{run}: its valve, all but shut, still passes {show_flow(given, unit)} and not {show_flow(wanted, unit)}: "
                "fit a smaller valve or narrower pipe"
            )
        case ObstacleKind.NO_VALVE_TOO_LOW:
            return (
                f"{run}: has no hand valve and gets {show_flow(given, unit)}, not {show_flow(wanted, unit)}: "
                "it takes wider bores or more head"
            )
        case ObstacleKind.NO_VALVE_TOO_HIGH:
            return (
                f"{run}: has no hand valve and gets {show_flow(given, unit)}, over {show_flow(wanted, unit)}: "
                "fit a valve"
            )


def _obstacle_json(obstacle: Obstacle) -> dict[str, Any]:
    heads = obstacle.kind in {ObstacleKind.OUTLET_TOO_HIGH, ObstacleKind.HEAD_SHORT}
    scale, suffix = (1.0, "head_m") if heads else (LPH_PER_M3S, "flow_l_per_h")
    return {
        "run": obstacle.run,
        "kind": obstacle.kind.value,
        f"wanted_{suffix}": round(obstacle.wanted * scale, 4),
        f"given_{suffix}": round(obstacle.given * scale, 4),
    }


def _opening_json(opening: Opening) -> dict[str, Any]:
    return {
        "run": opening.throttle.name,
        "valve": opening.throttle.kind.value,
        "open_percent": round(100.0 * (1.0 - opening.closed_deg / _TURN_DEG), 2),
        "closed_deg": round(opening.closed_deg, 3),
        "k": round(opening.k, 4),
        "aim_l_per_h": _lph(opening.aim_m3s),
    }


def _lph(flow_m3s: float) -> float:
    return round(flow_m3s * LPH_PER_M3S, 3)

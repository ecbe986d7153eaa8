"""What commissioning found, for people and for machines."""

import datetime as dt
import math
from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

from analysis.commissioning import Baseline
from analysis.findings import NINETY_PERCENT
from config.plant import Plant
from config.units import flow_in, show_flow
from daemon import clock


def lines_of(plant: Plant, baseline: Baseline) -> Iterator[str]:
    """The lines that a keeper reads."""
    days = (baseline.to_s - baseline.from_s) / 86_400
    zone = ZoneInfo(plant.timezone)
    yield (
        f"Commissioned on {days:.1f} days, {_local(baseline.from_s, zone)} to {_local(baseline.to_s, zone)} "
        f"(times by {plant.timezone}). From here on every hour is judged by them."
    )
    yield ""
    yield f"{'meter':<14} {'run':<14} {'flow':>14}   usual wander of an hour"
    for column, name in enumerate(baseline.meters):
        run = plant.run_of_meter(name)
        wander = 100.0 * float(baseline.noise.wander_sd[column])
        flow = show_flow(float(baseline.flow_m3s[column]), plant.flow_unit)
        yield f"{name:<14} {run.name if run else '':<14} {flow:>14}   +-{wander:.1f} %"
    yield ""
    yield "Losses against the plant file's catalogue figures (90 % interval):"
    for branch in baseline.branches:
        note = "" if branch.determined else "   the meters do not tell: catalogue kept"
        yield f"  {branch.run:<14} {_factor(branch.resistance_factor, branch.log_sd)}{note}"
    yield f"  {'pump head':<14} {_factor(baseline.head_factor, baseline.head_log_sd)}"
    for warning in baseline.warnings():
        yield f"Look at this: {warning}"


def _factor(middle: float, log_sd: float) -> str:
    """A factor with its 90 % interval."""
    low, high = (middle * math.exp(sign * NINETY_PERCENT * log_sd) for sign in (-1, 1))
    return f"x {middle:.2f}   ({low:.2f} to {high:.2f})"


def _local(epoch_s: float, zone: ZoneInfo) -> str:
    return dt.datetime.fromtimestamp(epoch_s, zone).strftime("%Y-%m-%d %H:%M")


def json_of(baseline: Baseline) -> dict[str, Any]:
    """The same for machines."""
    return {
        "from": clock.utc_text(baseline.from_s),
        "to": clock.utc_text(baseline.to_s),
        "speed": baseline.speed,
        "pump_head_factor": baseline.head_factor,
        "pump_head_log_sd": baseline.head_log_sd,
        "meters": [
            {
                "name": name,
                "flow_l_per_h": flow_in("L/h", float(baseline.flow_m3s[column])),
                "gain": float(baseline.gain[column]),
                "wander_sd": float(baseline.noise.wander_sd[column]),
                "wander_tau_h": float(baseline.noise.wander_tau_h[column]),
            }
            for column, name in enumerate(baseline.meters)
        ],
        "branches": [
            {
                "run": branch.run,
                "resistance_factor": branch.resistance_factor,
                "resistance_log_sd": branch.log_sd,
                "determined": branch.determined,
            }
            for branch in baseline.branches
        ],
        "warnings": list(baseline.warnings()),
    }

"""What changes would bring, side by side, as a keeper reads it and as JSON."""

import re
from collections.abc import Sequence
from string import ascii_uppercase
from typing import Any

from analysis.design.costs import Cost
from analysis.design.duty import Duty
from analysis.design.whatif import Comparison, Gain, Variant
from config.edits import Change, CurveEdit, FittingEdit, MediaEdit, PipeEdit, SpeedEdit
from config.plant import Device, MediaBed, Plant, Run
from config.units import show_flow, show_head
from daemon import size_words
from daemon.predict_words import LPH_PER_M3S, cost_json, cost_rows, percent
from daemon.tables import columns

_LEAST_SHOWN = 0.0005
_UV = re.compile(r"\buv\b|ultra-?violet|sterili[sz]", re.IGNORECASE)
_LIME = re.compile(r"\blime|kalk|caustic|hydroxide", re.IGNORECASE)
_CEMENT = (
    "caution: cutting and gluing pipe: pump unplugged, pipe drained, air the room, no flame, no spark; let solvent",
    "cement cure as its label says before water runs through it.",
)
_LAMP = (
    "caution: a UV steriliser lies on this run: unplug it and wait until its lamp is dark before you open it; its light",
    "harms eyes and skin through any gap.",
)
_CAUSTIC = (
    "caution: this run may hold caustic lime water: goggles and gloves; rinse splashes at once with plenty of water and",
    "see a doctor if it went into an eye.",
)


def lines_of(plant: Plant, comparison: Comparison, duties: Sequence[Duty | None]) -> list[str]:
    """The comparison in text.

    Args:
        plant: as built.
        comparison: of it with its variants.
        duties: of the plant as built, then of every variant; None for one that cannot be told.
    """
    unit = plant.flow_unit
    marks = marks_of(comparison)
    return [
        f"{plant.name}: as built, and with",
        *(f"  {mark}: {_title(variant)}" for mark, variant in zip(marks, comparison.variants, strict=True)),
        "",
        *columns(_flow_rows(plant, comparison, marks, duties)),
        "",
        "Gain over as built (90 % interval: both meet the same errors of the catalogue, so a gain is known better than",
        "a flow):",
        *columns(_gain_rows(plant, comparison, marks)),
        *_table_lines(plant, comparison, marks),
        "",
        "What costs most as built, and what the branch would gain if it cost half:",
        *_cost_lines(comparison.costs, unit),
        "",
        *_cautions(plant, comparison),
    ]


def json_of(plant: Plant, comparison: Comparison, duties: Sequence[Duty | None]) -> dict[str, Any]:
    """The comparison for machines; arguments as of `lines_of`."""
    return {
        "as_built": {
            "pump": _pump_json(comparison.pump_flow_m3s, comparison.pump_head_m, plant.pump.speed),
            "duty": _duty_json(duties[0]),
            "runs": [
                {
                    "name": run.name,
                    "flow_l_per_h": _lph(flow),
                    "flow_low_l_per_h": _lph(low),
                    "flow_high_l_per_h": _lph(high),
                }
                for run, flow, low, high in zip(
                    plant.runs, comparison.as_built_m3s, comparison.low_m3s, comparison.high_m3s, strict=True
                )
            ],
        },
        "variants": [
            _variant_json(plant, variant, duty, comparison.tables)
            for variant, duty in zip(comparison.variants, duties[1:], strict=True)
        ],
        "costliest": [cost_json(cost) for cost in comparison.costs],
    }


def marks_of(comparison: Comparison) -> list[str]:
    """A letter for each change, and "all" for all of them together."""
    count = len(comparison.variants)
    marks = [ascii_uppercase[place] if place < len(ascii_uppercase) else str(place + 1) for place in range(count)]
    return [*marks[:-1], "all"] if count > 1 else marks


def _title(variant: Variant) -> str:
    return variant.changes[0].text if len(variant.changes) == 1 else "all of these together"


def _flow_rows(
    plant: Plant, comparison: Comparison, marks: Sequence[str], duties: Sequence[Duty | None]
) -> list[list[str]]:
    unit = plant.flow_unit
    rows = [["flow", "as built", *marks]]
    for index, run in enumerate(plant.runs):
        if run.is_branch:
            flows = [
                comparison.as_built_m3s[index],
                *(variant.gains[index].flow_m3s for variant in comparison.variants),
            ]
            rows.append([run.name, *(show_flow(flow, unit) for flow in flows)])
    pumps = [comparison.pump_flow_m3s, *(variant.pump_flow_m3s for variant in comparison.variants)]
    rows.append(["pump", *(show_flow(flow, unit) for flow in pumps)])
    if any(duty is not None for duty in duties):
        rows.append(["head that the targets take", *(_duty_words(duty, unit) for duty in duties)])
        rows.append(["speed that does it", *("-" if duty is None else f"{duty.speed:.0%}" for duty in duties)])
    return rows


def _duty_words(duty: Duty | None, unit: str) -> str:
    return "-" if duty is None else show_head(duty.head_m, unit)


def _gain_rows(plant: Plant, comparison: Comparison, marks: Sequence[str]) -> list[list[str]]:
    rows = [["gain", *marks]]
    for index, run in enumerate(plant.runs):
        if run.is_branch:
            rows.append([run.name, *(_gain_words(variant.gains[index]) for variant in comparison.variants)])
    return rows


def _gain_words(gain: Gain) -> str:
    if gain.gain is None or gain.low is None or gain.high is None:
        return "not to be told"
    if max(abs(gain.low), abs(gain.high), abs(gain.gain)) < _LEAST_SHOWN:
        return "none"
    return f"{percent(gain.gain)} % ({percent(gain.low)} to {percent(gain.high)})"


def _table_lines(plant: Plant, comparison: Comparison, marks: Sequence[str]) -> list[str]:
    """Gain of the branch that it is most for, by each published table of elbows."""
    lines = []
    for mark, variant in zip(marks, comparison.variants, strict=True):
        index = _most_moved(plant, variant)
        if index is None or len(variant.changes) > 1:
            continue
        told = zip(comparison.tables, variant.gains[index].by_table, strict=True)
        by_gain = sorted(told, key=lambda pair: pair[1])
        lines += [
            "",
            f"Published losses of elbows do not agree. {plant.runs[index].name} with {mark}, by table:",
            *(f"  {percent(gain):>6} %  {source}" for source, gain in by_gain),
            "See what shape your fitting has: a tight inner corner costs most. No promise.",
        ]
    return lines


def _most_moved(plant: Plant, variant: Variant) -> int | None:
    spans = {
        index: max(gain.by_table) - min(gain.by_table)
        for index, gain in enumerate(variant.gains)
        if gain.by_table and plant.runs[index].is_branch
    }
    return max(spans, key=lambda index: spans[index]) if spans else None


def _cost_lines(costs: Sequence[Cost], unit: str) -> list[str]:
    return columns(cost_rows(costs, unit)) if costs else ["  nothing flows"]


def _cautions(plant: Plant, comparison: Comparison) -> list[str]:
    """What to mind before making these changes."""
    edits = [pair for variant in comparison.variants for change in variant.changes for pair in change.edits]
    lines: list[str] = []
    if any(isinstance(edit, PipeEdit | FittingEdit) for edit, _ in edits):
        lines += _CEMENT
    opened = {name for edit, names in edits if isinstance(edit, PipeEdit | FittingEdit | MediaEdit) for name in names}
    runs = [run for run in plant.runs if run.name in opened]
    lines += _LAMP if any(_tells(_UV, run) for run in runs) else ()
    lines += _CAUSTIC if any(_tells(_LIME, run) for run in runs) else ()
    if any(isinstance(edit, SpeedEdit | CurveEdit) for edit, _ in edits):
        lines.append(
            "caution: a slower pump starves the highest outlet first, and at some speed water runs back through it."
        )
    return [*lines, *size_words.CAUTIONS]


def _tells(words: re.Pattern[str], run: Run) -> bool:
    names = [element.name for element in run.path if isinstance(element, Device | MediaBed)]
    return any(words.search(name) for name in (run.name, run.media or "", *names))


def _variant_json(plant: Plant, variant: Variant, duty: Duty | None, tables: Sequence[str]) -> dict[str, Any]:
    return {
        "changes": [_text(change) for change in variant.changes],
        "pump": _pump_json(variant.pump_flow_m3s, variant.pump_head_m, variant.plant.pump.speed),
        "duty": _duty_json(duty),
        "runs": [
            {
                "name": run.name,
                "flow_l_per_h": _lph(gain.flow_m3s),
                "gain_percent": _hundred(gain.gain),
                "gain_low_percent": _hundred(gain.low),
                "gain_high_percent": _hundred(gain.high),
                "gain_percent_by_table": {
                    table: _hundred(value) for table, value in zip(tables, gain.by_table, strict=False)
                },
            }
            for run, gain in zip(plant.runs, variant.gains, strict=True)
        ],
    }


def _text(change: Change) -> str:
    return change.text


def _pump_json(flow_m3s: float, head_m: float, speed: float) -> dict[str, float]:
    return {"flow_l_per_h": _lph(flow_m3s), "head_m": round(head_m, 4), "speed": speed}


def _duty_json(duty: Duty | None) -> dict[str, Any] | None:
    return None if duty is None else size_words.duty_json(duty)


def _hundred(share: float | None) -> float | None:
    return None if share is None else round(100.0 * share, 4)


def _lph(flow_m3s: float) -> float:
    return round(flow_m3s * LPH_PER_M3S, 3)

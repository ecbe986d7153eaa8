"""What commissioning found, for people and for machines."""

from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

from analysis.baseline import Baseline
from analysis.fitted import FigureKind, FittedFigure
from analysis.report.fitted_words import CATALOGUE_KEPT, called, factor_range, pair_sentences
from config.gauge_units import SI_UNITS
from config.plant import GaugeKind, Plant
from config.units import flow_in, show_flow
from daemon import clock
from daemon.tables import columns

SHOWN_KEYS = {GaugeKind.PRESSURE: "pressure_pa", GaugeKind.POWER: "power_w"}


def lines_of(plant: Plant, baseline: Baseline) -> Iterator[str]:
    """The lines that a keeper reads."""
    days = (baseline.to_s - baseline.from_s) / 86_400
    zone = ZoneInfo(plant.timezone)
    yield (
        f"Commissioned on {days:.1f} days, {clock.local_text(baseline.from_s, zone)} to {clock.local_text(baseline.to_s, zone)} "
        f"(times by {plant.timezone}). From here on every hour is judged by them."
    )
    yield ""
    yield f"{'meter':<14} {'run':<14} {'flow':>14}   usual wander of an hour"
    for column, name in enumerate(baseline.meters):
        run = plant.run_of_meter(name)
        wander = 100.0 * float(baseline.noise.wander_sd[column])
        flow = show_flow(float(baseline.flow_m3s[column]), plant.flow_unit)
        yield f"{name:<14} {run.name if run else '':<14} {flow:>14}   +-{wander:.1f} %"
    for one in baseline.joined:
        yield f"{one.name} joined later: it counts from {clock.local_text(one.from_s, zone)} on."
    for column, gauge in enumerate(baseline.gauges, start=len(baseline.meters)):
        if column == len(baseline.meters):
            yield ""
            yield f"{'gauge':<14} {'run':<14} {'shown':>14}   usual wander of an hour"
        known = next(record for record in plant.gauges if record.name == gauge.name)
        wander = 100.0 * float(baseline.noise.wander_sd[column])
        shown = f"{gauge.shown / SI_UNITS[known.unit]:.4g} {known.unit}"
        yield f"{gauge.name:<14} {known.run or '':<14} {shown:>14}   +-{wander:.2f} %"
    yield ""
    yield "What these days say of the plant file's figures, as factors on them:"
    yield from columns(_figure_rows(baseline))
    yield from pair_sentences(baseline.figures)
    for warning in baseline.warnings():
        yield f"Look at this: {warning}"


def _figure_rows(baseline: Baseline) -> list[tuple[str, ...]]:
    """A table of what is fitted: what the meters make of it, what the catalogue alone would say, what it moves with."""
    determined = {branch.run: branch.determined for branch in baseline.branches}
    headings = ("", "fitted (90 %)", "catalogue alone", "known from meters", "moves most with", "")
    rows: list[tuple[str, ...]] = [headings]
    for figure in baseline.figures:
        kept = figure.kind is FigureKind.RESISTANCE and not determined[figure.subject]
        partner = called(figure.partner_kind, figure.partner_subject)
        rows.append(
            (
                f"  {called(figure.kind, figure.subject)}",
                f"x {figure.factor:.2f} ({factor_range(figure.interval)})",
                factor_range(figure.prior_interval),
                f"{figure.share_from_meters:.0%}",
                f"{partner} ({figure.correlation:+.2f})",
                CATALOGUE_KEPT if kept else "",
            )
        )
    return rows


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
        "gauges": [
            {
                "name": gauge.name,
                "reads": gauge.reads.value,
                SHOWN_KEYS[gauge.reads]: gauge.shown,
                "gain": gauge.gain,
                "wander_sd": float(baseline.noise.wander_sd[column]),
                "wander_tau_h": float(baseline.noise.wander_tau_h[column]),
            }
            for column, gauge in enumerate(baseline.gauges, start=len(baseline.meters))
        ],
        "meters_left_out": [{"name": meter.name, "hours": meter.hours} for meter in baseline.meters_left_out],
        "meters_joined": [{"name": one.name, "from": clock.utc_text(one.from_s)} for one in baseline.joined],
        "gauges_left_out": [{"name": gauge.name, "hours": gauge.hours} for gauge in baseline.left_out],
        "branches": [
            {
                "run": branch.run,
                "resistance_factor": branch.resistance_factor,
                "resistance_log_sd": branch.log_sd,
                "determined": branch.determined,
            }
            for branch in baseline.branches
        ],
        "figures": [_figure_json(figure) for figure in baseline.figures],
        "warnings": list(baseline.warnings()),
    }


def _figure_json(figure: FittedFigure) -> dict[str, Any]:
    """A fitted figure for machines: factors on the plant file's figure, 90 % intervals."""
    low, high = figure.interval
    prior_low, prior_high = figure.prior_interval
    return {
        "kind": figure.kind.value,
        "subject": figure.subject or None,
        "factor": figure.factor,
        "factor_low": low,
        "factor_high": high,
        "catalogue_low": prior_low,
        "catalogue_high": prior_high,
        "share_from_meters": figure.share_from_meters,
        "moves_with": {"kind": figure.partner_kind.value, "subject": figure.partner_subject or None},
        "correlation": figure.correlation,
        "told_apart": not figure.moves_together,
    }

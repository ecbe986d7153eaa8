"""The figures of the page for machines: UTC with Z, flows in L/h, keys that carry the unit, null for unknown."""

import datetime as dt
import math

from analysis.assessment import Candidate, Forecast
from analysis.report.content import BranchLine, Content, MeterLine
from analysis.report.drift import Drift
from analysis.report.gauge_trends import GaugeTrend
from analysis.report.trends import Lettered, Trend
from config.plant import Target
from config.units import flow_in

Json = dict[str, object]


def figures_of(content: Content) -> Json:
    """The page's figures as what `json` can write."""
    return {
        "plant": content.plant.name,
        "week": content.period.week,
        "from": _utc(content.period.start_s),
        "to": _utc(content.period.end_s),
        "trend_from": _utc(content.period.trend_start_s),
        "last_reading_hour": _utc(content.last_known_s),
        "known_share": _number(content.known_share),
        "tasks": [
            {"status": task.status, "title": task.title, "text": task.text, "also": task.also, "finding": task.letter}
            for task in content.tasks
        ],
        "findings": [_finding(known) for known in content.findings],
        "forecasts": [_forecast(forecast) for forecast in content.forecasts],
        "branches": [_branch(line) for line in content.branches],
        "trends": [_trend(trend) for trend in (*content.trends, *((content.whole,) if content.whole else ()))],
        "gauges": [_gauge(trend) for trend in content.gauges],
        "pump": {"status": content.pump_status, "reason": content.pump_reason},
        "meters": [_meter(line) for line in content.meters],
        "rejected": [{"source": row.source, "reason": row.reason, "times": row.times} for row in content.rejected],
        "journal": [
            {"at": _utc(event.at_s), "kind": event.kind, "target": event.target, "value": event.value}
            for event in sorted((*content.journal, *content.pauses), key=lambda event: event.at_s)
        ],
        "media_lives": [
            {
                "run": life.run,
                "from": _utc(life.from_s),
                "to": _utc(life.to_s),
                "whole": life.whole,
                "lost_percent": None if life.lost_percent is None else _number(life.lost_percent),
                "useful_days": None if life.useful_days is None else _number(life.useful_days),
            }
            for life in content.media_lives
        ],
        "recoveries": [
            {
                "at": _utc(job.at_s),
                "subject": job.subject,
                "job": job.job,
                "gain_percent": _number(job.gain_percent),
                "now_percent_of_commissioned": _number(job.now_percent_of_commissioned),
            }
            for job in content.recoveries
        ],
        "never_told_apart": [list(pair) for pair in content.never_apart],
    }


def _utc(at_s: float | None) -> str | None:
    if at_s is None or math.isnan(at_s):
        return None
    return dt.datetime.fromtimestamp(at_s, dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _number(value: float | None) -> float | None:
    """JSON has no nan; ten digits are more than any of these figures has."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.10g}")


def _litres(flow_m3s: float | None) -> float | None:
    return None if flow_m3s is None else _number(flow_in("L/h", flow_m3s))


def _target(target: Target | None) -> Json:
    return {
        "target_low_l_per_h": _litres(target.low_m3s if target else None),
        "target_high_l_per_h": _litres(target.high_m3s if target else None),
    }


def _candidate(candidate: Candidate) -> Json:
    return {
        "kind": candidate.kind,
        "subject": candidate.subject,
        "probability": _number(candidate.probability),
        "flow_change_percent": _number(candidate.flow_change_percent),
        "could_be": list(candidate.could_be),
    }


def _finding(known: Lettered) -> Json:
    finding = known.finding
    return {
        "letter": known.letter,
        "id": finding.id,
        "open": known.is_open,
        "raised_at": _utc(finding.raised_at_s),
        "cleared_at": _utc(finding.cleared_at_s),
        "status": finding.status,
        "shape": finding.shape,
        "onset": _utc(finding.onset_s),
        "onset_low": _utc(finding.onset_low_s),
        "onset_high": _utc(finding.onset_high_s),
        "candidates": [_candidate(candidate) for candidate in finding.candidates],
        "evidence": [
            {
                "meter": row.meter,
                "measured_percent": _number(row.measured_percent),
                "low_percent": _number(row.low_percent),
                "high_percent": _number(row.high_percent),
                "expected_percent": _number(row.expected_percent),
                "rival_percent": _number(row.rival_percent),
            }
            for row in finding.evidence
        ],
        "summary": finding.summary,
        "action": finding.action,
    }


def _forecast(forecast: Forecast) -> Json:
    return {
        "made_at": _utc(forecast.made_at_s),
        "run": forecast.run,
        "below_target_at": _utc(forecast.below_target_at_s),
        "low": _utc(forecast.low_s),
        "high": _utc(forecast.high_s),
    }


def _branch(line: BranchLine) -> Json:
    return {
        "name": line.name,
        "meter": line.meter,
        "verdict": line.verdict,
        "flow_l_per_h": _litres(line.flow_m3s),
        "commissioned_l_per_h": _litres(line.commissioned_m3s),
        "mean_l_per_h": _litres(line.mean_m3s),
        "lowest_hour_l_per_h": _litres(line.low_m3s),
        "day_l_per_h": _litres(line.day_m3s),
        "night_l_per_h": _litres(line.night_m3s),
        "findings": list(line.letters),
        **_target(line.target),
        "trend": None if line.drift is None else _drift(line.drift),
    }


def _drift(drift: Drift) -> Json:
    """An end of the interval that the days do not bound is null."""
    return {
        "verdict": drift.going,
        "sure": drift.sure,
        "percent_per_day": _number(drift.percent),
        "low_percent_per_day": _number(drift.low_percent),
        "high_percent_per_day": _number(drift.high_percent),
        "days": drift.days,
        "since": None if drift.since is None else {"at": _utc(drift.since.at_s), "what": drift.since.what},
    }


def _trend(trend: Trend) -> Json:
    return {
        "name": trend.name,
        "kind": trend.kind,
        "meter": trend.meter,
        "trend": _drift(trend.drift),
        "rows": [
            {
                "from": _utc(row.span.start_s),
                "to": _utc(row.span.end_s),
                "mean_l_per_h": _litres(row.mean_m3s),
                "lowest_hour_l_per_h": _litres(row.low_m3s),
                "highest_hour_l_per_h": _litres(row.high_m3s),
                "expected_l_per_h": _litres(row.expected_m3s),
                "known_hours": row.known_hours,
                "hours": row.hours,
            }
            for row in trend.rows
        ],
    }


def _gauge(trend: GaugeTrend) -> Json:
    """A gauge in its own unit."""
    return {
        "name": trend.name,
        "reads": trend.reads.value,
        "unit": trend.unit,
        "last_day": _number(trend.last_day),
        "expected": _number(trend.last_expected),
        "commissioned": _number(trend.commissioned),
        "trend": _drift(trend.drift),
    }


def _meter(line: MeterLine) -> Json:
    state = line.state
    return {
        "name": line.meter.name,
        "run": line.run,
        "status": state.status if state else None,
        "reason": state.reason if state else None,
        "flow_l_per_h": _litres(state.flow_m3s if state else None),
        "commissioned_l_per_h": _litres(state.commissioned_m3s if state else None),
        "completeness_7_days": _number(state.completeness if state else None),
        "known_share": _number(line.known_share),
        "pulses_per_litre": line.calibrated or [[_litres(flow), factor] for flow, factor in line.meter.k_points],
    }

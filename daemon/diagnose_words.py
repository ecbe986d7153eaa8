"""What the diagnosis says, for people and for machines."""

import datetime as dt
import math
import textwrap
from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

from analysis.assessment import Assessment, Candidate, Evidence, Finding, Forecast, GaugeState, MediaLife, Status
from analysis.report.words import target as target_words
from analysis.wording import NEXT_TO_NOTHING_PERCENT, join_late, percent, place
from config.gauge_units import SI_UNITS
from config.plant import GaugeKind, Plant, Run
from config.units import flow_in, show_flow
from daemon import clock

WIDTH = 118
CAUTION = "An alarm is no substitute for looking at the animals."


def lines_of(plant: Plant, known: Assessment) -> Iterator[str]:
    """The lines that a keeper reads; times by the plant's clock."""
    zone = ZoneInfo(plant.timezone)
    still = [finding for finding in known.findings if finding.cleared_at_s is None]
    over = [finding for finding in known.findings if finding.cleared_at_s is not None]
    yield f"{plant.name}, readings up to {clock.local_text(known.now_s, zone)} (times by {plant.timezone})"
    yield ""
    yield from _flow_lines(plant, known)
    yield from _gauge_lines(plant, known)
    yield from _left_out_lines(plant, known)
    yield ""
    if not still:
        yield from _all_quiet(known)
    for finding in still:
        yield from _finding_lines(plant, finding, zone)
    for forecast in sorted(known.forecasts, key=lambda one: one.below_target_at_s):
        yield _forecast_line(forecast, zone)
    if over:
        yield ""
        yield "Over and done:"
        for finding in over:
            yield f"  {clock.local_text(finding.raised_at_s, zone)} to {clock.local_text(finding.cleared_at_s or 0, zone)}: {finding.summary}"
    for recovery in known.recoveries:
        yield (
            f"  {clock.local_text(recovery.at_s, zone)}: {recovery.subject} back at "
            f"{recovery.now_percent_of_commissioned:.0f} % of what it was commissioned with, a change of "
            f"{recovery.gain_percent:+.0f} % ({recovery.job.replace('_', ' ')})"
        )
    yield from _media_lines(known, zone)
    yield ""
    yield CAUTION


def _media_lines(known: Assessment, zone: ZoneInfo) -> Iterator[str]:
    """How long each filling of media has lasted, where one has been renewed."""
    if known.renewed_lives:
        yield ""
        yield "How long media last:"
    for life in known.renewed_lives:
        until = "and still in use" if life.to_s is None else f"to {_day(life.to_s, zone)}"
        began = _day(life.from_s, zone) if life.whole else f"before {_day(life.from_s, zone)}"
        yield f"  {life.run}: from {began} {until}{_lost(life)}{_useful(life)}"


def _lost(life: MediaLife) -> str:
    if life.lost_percent is None:
        return ""
    return f", {life.lost_percent:.0f} % less flow by the end" if life.lost_percent >= 1 else ", no flow lost"


def _useful(life: MediaLife) -> str:
    if life.useful_days is None or not life.whole:
        return ""
    return f", within target for {life.useful_days:.0f} days"


def _all_quiet(known: Assessment) -> Iterator[str]:
    """No finding is open: whether that means that all is well, or that some meters cannot say."""
    odd = [state for state in known.meter_states if state.status is not Status.GOOD]
    if not odd:
        which = "every meter that was commissioned" if known.not_commissioned else "every meter"
        yield f"Nothing is wrong: {which} shows what the commissioned plant should give."
        return
    yield "No finding is open, but not every meter can vouch for that:"
    for state in odd:
        yield f"  [{state.status.value}] {state.name}: {state.reason}"


def _flow_lines(plant: Plant, known: Assessment) -> Iterator[str]:
    """Every metered run: what it got over the last day, against its target and what it was commissioned with."""
    yield f"{'run':<14} {'last 24 h':>12}  {'commissioned':>12}  target"
    for state in known.meter_states:
        run = next((run for run in plant.runs if run.name == state.run), None)
        now = "no reading" if math.isnan(state.flow_m3s) else show_flow(state.flow_m3s, plant.flow_unit)
        was = show_flow(state.commissioned_m3s, plant.flow_unit)
        against = _verdict(plant, run, state.flow_m3s, doubted=state.name in known.doubted_meters)
        yield f"{state.run or state.name:<14} {now:>12}  {was:>12}  {against}"


def _gauge_lines(plant: Plant, known: Assessment) -> Iterator[str]:
    """Every gauge that takes part: what it showed over the last day, and as commissioned, in its own unit."""
    if not known.gauge_states:
        return
    yield ""
    yield f"{'gauge':<14} {'last 24 h':>12}  {'commissioned':>12}"
    units = {gauge.name: gauge.unit for gauge in plant.gauges}
    for state in known.gauge_states:
        unit = units[state.name]
        now, was = (
            "no reading" if math.isnan(value) else f"{value / SI_UNITS[unit]:.4g} {unit}"
            for value in (state.shown, state.commissioned)
        )
        yield f"{state.name:<14} {now:>12}  {was:>12}"


def _left_out_lines(plant: Plant, known: Assessment) -> Iterator[str]:
    """The meters that nothing is judged by, and what to do about it."""
    if known.not_commissioned:
        yield ""
    for meter in known.not_commissioned:
        run = plant.run_of_meter(meter)
        yield f"{join_late(meter, None if run is None else run.name)}."


def _verdict(plant: Plant, run: Run | None, flow_m3s: float, *, doubted: bool) -> str:
    """The target, and which side of it the flow is; what a meter shows that reads wrong is on none."""
    target = None if run is None else run.target
    bounds = target_words(target, plant.flow_unit)
    if doubted:
        return f"{bounds}: IN DOUBT, for its meter is"
    low, high = (None, None) if target is None else (target.low_m3s, target.high_m3s)
    if low is not None and flow_m3s < low:
        return f"{bounds}: BELOW"
    if high is not None and flow_m3s > high:
        return f"{bounds}: ABOVE"
    return bounds


def _finding_lines(plant: Plant, finding: Finding, zone: ZoneInfo) -> Iterator[str]:
    grown = "from one hour to the next" if finding.shape == "step" else "little by little"
    yield from _wrapped(f"[{finding.status.value}] {finding.summary}", indent="  ")
    low, high = (clock.local_text(at_s, zone) for at_s in (finding.onset_low_s, finding.onset_high_s))
    within = "" if low == high else f" (between {low} and {high})"
    since, seen = (clock.local_text(at_s, zone) for at_s in (finding.onset_s, finding.raised_at_s))
    yield from _wrapped(f"  Since {since}{within}, {grown}; seen on {seen}.", indent="  ")
    if len(finding.candidates) == 1:
        yield from _wrapped(f"  It {_or(finding.candidates[0])}.", indent="  ")
    else:
        for candidate in finding.candidates:
            where = place(candidate.kind, candidate.subject, plant.gauge_kinds, candidate.part)
            yield from _wrapped(f"  {percent(candidate.probability):>9}  {where}: {_or(candidate)}", indent=" " * 13)
    yield from _wrapped(f"  What to do: {finding.action}", indent="  ")
    if finding.evidence:
        yield "  Evidence, change of each reading over a day (90 % interval), and what the likeliest cause would make it:"
    width = max((len(_placed(plant, row.meter)) for row in finding.evidence), default=0)
    for row in finding.evidence:
        rival = "" if row.rival_percent is None else f", the runner-up {_signed(row.rival_percent)} %"
        likeliest = f"likeliest {_signed(row.expected_percent)} %{rival}"
        yield f"    {_placed(plant, row.meter):<{width}} {_measured(row)}; {likeliest}"


def _measured(row: Evidence) -> str:
    """The change with its interval; what lies below the least that is told apart from nothing has none."""
    if row.measured_percent <= NEXT_TO_NOTHING_PERCENT:
        return "next to nothing is shown"
    return f"{_signed(row.measured_percent):>6} % ({_signed(row.low_percent)} to {_signed(row.high_percent)})"


def _signed(value: float) -> str:
    """A change in per cent; none has no sign."""
    text = f"{value:+.1f}"
    return "0.0" if float(text) == 0 else text


def _wrapped(text: str, *, indent: str) -> Iterator[str]:
    """A paragraph in lines that fit a terminal."""
    yield from textwrap.wrap(
        text, WIDTH, subsequent_indent=indent, drop_whitespace=True, break_long_words=False, break_on_hyphens=False
    )


def _placed(plant: Plant, meter: str) -> str:
    """A meter with the run that it sits on."""
    run = plant.run_of_meter(meter)
    return meter if run is None else f"{run.name} ({meter})"


def _or(candidate: Candidate) -> str:
    return "could be " + ", or ".join(candidate.could_be)


def _forecast_line(forecast: Forecast, zone: ZoneInfo) -> str:
    return (
        f"  If it goes on like this, {forecast.run} falls below its target on "
        f"{_day(forecast.below_target_at_s, zone)} (90 % interval: {_day(forecast.low_s, zone)} to "
        f"{_day(forecast.high_s, zone)})."
    )


def _day(epoch_s: float, zone: ZoneInfo) -> str:
    """A day, where more would be more than is known."""
    return dt.datetime.fromtimestamp(epoch_s, zone).strftime("%Y-%m-%d")


def json_of(known: Assessment) -> dict[str, Any]:
    """The same for machines; times in UTC."""
    return {
        "now": clock.utc_text(known.now_s),
        "findings": [_finding_json(finding) for finding in known.findings],
        "forecasts": [
            {
                "made_at": clock.utc_text(forecast.made_at_s),
                "run": forecast.run,
                "below_target_at": clock.utc_text(forecast.below_target_at_s),
                "low": clock.utc_text(forecast.low_s),
                "high": clock.utc_text(forecast.high_s),
            }
            for forecast in known.forecast_history
        ],
        "media_lives": [
            {
                "run": life.run,
                "from": clock.utc_text(life.from_s),
                "to": None if life.to_s is None else clock.utc_text(life.to_s),
                "whole": life.whole,
                "lost_percent": life.lost_percent,
                "useful_days": None if life.useful_days is None else round(life.useful_days, 1),
            }
            for life in known.media_lives
        ],
        "recoveries": [
            {
                "at": clock.utc_text(recovery.at_s),
                "subject": recovery.subject,
                "job": recovery.job,
                "gain_percent": recovery.gain_percent,
                "now_percent_of_commissioned": recovery.now_percent_of_commissioned,
            }
            for recovery in known.recoveries
        ],
        "meters": [
            {
                "name": state.name,
                "run": state.run,
                "status": state.status.value,
                "reason": state.reason,
                "flow_l_per_h": _number(flow_in("L/h", state.flow_m3s)),
                "commissioned_l_per_h": flow_in("L/h", state.commissioned_m3s),
                "completeness": state.completeness,
            }
            for state in known.meter_states
        ],
        "meters_not_commissioned": list(known.not_commissioned),
        "gauges": [
            {
                "name": state.name,
                "run": state.run,
                **_gauge_json(state),
            }
            for state in known.gauge_states
        ],
        "isolability": [
            {"first": pair.first, "second": pair.second, "hours": pair.hours} for pair in known.isolability
        ],
    }


def _finding_json(finding: Finding) -> dict[str, Any]:
    return {
        "id": finding.id,
        "raised_at": clock.utc_text(finding.raised_at_s),
        "cleared_at": None if finding.cleared_at_s is None else clock.utc_text(finding.cleared_at_s),
        "status": finding.status.value,
        "shape": finding.shape,
        "onset": clock.utc_text(finding.onset_s),
        "onset_low": clock.utc_text(finding.onset_low_s),
        "onset_high": clock.utc_text(finding.onset_high_s),
        "summary": finding.summary,
        "candidates": [_candidate_json(candidate) for candidate in finding.candidates],
        "history": [
            {
                "at": clock.utc_text(opinion.at_s),
                "candidates": [_candidate_json(candidate) for candidate in opinion.candidates],
            }
            for opinion in finding.history
        ],
        "evidence": [
            {
                "meter": row.meter,
                "measured_percent": _number(row.measured_percent),
                "low_percent": _number(row.low_percent),
                "high_percent": _number(row.high_percent),
                "expected_percent": row.expected_percent,
                "rival_percent": row.rival_percent,
            }
            for row in finding.evidence
        ],
        "action": finding.action,
    }


def _gauge_json(state: GaugeState) -> dict[str, Any]:
    """What a gauge shows, under the key of its unit."""
    shown, was = {
        GaugeKind.PRESSURE: ("pressure_pa", "commissioned_pa"),
        GaugeKind.POWER: ("power_w", "commissioned_w"),
    }[state.reads]
    return {"reads": state.reads.value, shown: _number(state.shown), was: state.commissioned}


def _number(value: float) -> float | None:
    """JSON has no nan: a change that was not measured is null."""
    return value if value == value else None  # noqa: PLR0124 - only nan differs from itself


def _candidate_json(candidate: Candidate) -> dict[str, Any]:
    return {
        "kind": candidate.kind.value,
        "subject": candidate.subject,
        "part": None if candidate.part is None else candidate.part.value,
        "probability": candidate.probability,
        "flow_change_percent": candidate.flow_change_percent,
        "could_be": list(candidate.could_be),
    }

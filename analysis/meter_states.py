"""How each meter and the pump stand now, in the words of NAMUR NE 107."""

import numpy as np

from analysis.assessment import FaultKind, Finding, GaugeState, MeterState, Status
from analysis.frames import Floats
from analysis.watching import Watched
from analysis.wording import place

DAY_H = 24
WEEK_H = 168
SILENT_H = 6
SUSPECTED = 0.1
# A meter this far (log) from what the open finding makes it is not called good.
FAR_OFF = 0.15


def meter_states_of(watched: Watched, findings: tuple[Finding, ...]) -> tuple[MeterState, ...]:
    """One state a meter, in the baseline's order."""
    return tuple(_state(watched, findings, column, name) for column, name in enumerate(watched.baseline.meters))


def gauge_states_of(watched: Watched) -> tuple[GaugeState, ...]:
    """One state a gauge that takes part, in the baseline's order."""
    runs = {gauge.name: gauge.run for gauge in watched.plant.gauges}
    return tuple(
        GaugeState(
            name=gauge.name,
            run=runs[gauge.name],
            shown=_mean(watched.shown[-DAY_H:, column]),
            commissioned=gauge.shown,
            reads=gauge.reads,
        )
        for column, gauge in enumerate(watched.baseline.gauges)
    )


def pump_state_of(findings: tuple[Finding, ...]) -> tuple[Status, str]:
    """The pump's word and why."""
    for finding in findings:
        if finding.cleared_at_s is None and finding.candidates[0].kind is FaultKind.SUPPLY:
            return finding.status, finding.summary
    return Status.GOOD, "the flows agree with the pump as commissioned"


def _state(watched: Watched, findings: tuple[Finding, ...], column: int, name: str) -> MeterState:
    run = watched.plant.run_of_meter(name)
    flow = watched.flow_m3s[:, column]
    heard = np.isfinite(watched.frame.rate[:, column])
    status, reason = _word(watched, findings, name, run.name if run else None, heard)
    return MeterState(
        name=name,
        run=run.name if run else None,
        status=status,
        reason=reason,
        flow_m3s=_mean(flow[-DAY_H:]),
        commissioned_m3s=commissioned_m3s(watched, column),
        completeness=_complete(watched, heard),
    )


def _word(
    watched: Watched, findings: tuple[Finding, ...], name: str, run: str | None, heard: np.ndarray
) -> tuple[Status, str]:
    silent = heard[-SILENT_H:]
    if len(silent) == SILENT_H and not silent.any() and not (watched.frame.off_s[-SILENT_H:] > 0).any():
        return (
            Status.FAILURE,
            f"no reading for {SILENT_H} hours or more: check its wire, the device and `clearbore status`",
        )
    for finding in findings:
        for candidate in finding.candidates:
            mine = candidate.kind is FaultKind.METER and candidate.subject == name
            if finding.cleared_at_s is None and mine and candidate.probability >= SUSPECTED:
                return finding.status, f"{place(candidate.kind, name)} ({100 * candidate.probability:.0f} % likely)"
            if finding.cleared_at_s is None and candidate.subject == run and candidate is finding.candidates[0]:
                return finding.status, place(candidate.kind, run, part=candidate.part)
    return _against_expected(watched, name)


def _against_expected(watched: Watched, name: str) -> tuple[Status, str]:
    """The word for a meter that no open finding names: a second fault hides behind a fresh first for some days."""
    lasting = [change for change in watched.watch.changes if change.open]
    if not lasting:
        return Status.GOOD, "agrees with the other meters"
    departure, _ = watched.watch.departure(lasting[-1], watched.watch.hour, SILENT_H)
    off = float((departure - lasting[-1].latest.expected)[watched.baseline.meters.index(name)])
    if not abs(off) > FAR_OFF:
        return Status.GOOD, "agrees with the other meters"
    side = "less" if off < 0 else "more"
    return (
        Status.OUT_OF_SPECIFICATION,
        f"shows {abs(100.0 * np.expm1(off)):.0f} % {side} than the open finding explains: it may be a second fault",
    )


def commissioned_m3s(watched: Watched, column: int) -> float:
    """What a meter showed when commissioned, by the K-factors that are in force now."""
    hours = watched.frame.hours
    by_now = float(watched.carried[hours - 1, column]) if hours else 0.0
    return float(watched.baseline.flow_m3s[column] * np.exp(by_now))


def _complete(watched: Watched, heard: np.ndarray) -> float:
    known = heard[-WEEK_H:] | (watched.frame.off_s[-WEEK_H:] > 0)
    return float(np.mean(known)) if len(known) else 0.0


def _mean(flow: Floats) -> float:
    return float(np.nanmean(flow)) if np.isfinite(flow).any() else float("nan")

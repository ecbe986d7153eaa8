"""From raised changes to findings that a keeper reads."""

import datetime as dt
from collections.abc import Sequence

import numpy as np

from analysis.assessment import Candidate, Evidence, FaultKind, Finding, Opinion, Recovery, Status
from analysis.detection.change import Change
from analysis.detection.verdict import Verdict
from analysis.events import Event, EventKind
from analysis.fitted import NINETY_PERCENT
from analysis.frames import HOUR_S, Floats
from analysis.pulses import PAUSE_MARGIN_S
from analysis.watching import Watched
from analysis.wording import FAILED_LOG, action, could_be, headline, status_of

# Candidates are listed until they carry this much together, or fall below the least.
LISTED = 0.995
LEAST = 0.01
EVIDENCE_H = 24
STOPPED_H = 2
STOPPED_S = 3300.0
# How sure it is that a pump stands: two meters and more seldom die at once. A meter alone: as often as pumps stop and
# rotors stick. Common practice, no source.
STOPPED_SURE = 0.98
STOPPED_LONE = 0.75
# A job is looked for this long before its effect was sure, and its gain measured over this long after.
JOB_H = 72
GAIN_H = 24


def finding_of(watched: Watched, change: Change) -> Finding:
    """The finding of one change, as it stood when it was last noted: so a log cut short says the same up to its end."""
    history = tuple(
        Opinion(at_s=watched.told_at_s(verdict.hour, verdict.part), candidates=_candidates(watched, verdict))
        for verdict in change.noted
    )
    latest = change.noted[-1]
    candidates = history[-1].candidates
    first = change.noted[0]
    leader = watched.signatures.faults[latest.top]
    when = dt.datetime.fromtimestamp(watched.at_s(change.raised_h), dt.UTC).strftime("%Y-%m-%dT%H")
    return Finding(
        id=f"{when}-{watched.signatures.faults[first.top].subject or 'pump'}",
        raised_at_s=history[0].at_s,
        cleared_at_s=None if change.cleared_h is None else watched.told_at_s(change.cleared_h),
        status=Status.GOOD if change.cleared_h is not None else status_of(candidates[0], sudden=latest.sudden),
        shape="step" if latest.sudden else "ramp",
        onset_s=watched.at_s(latest.onset_h - 1),
        onset_low_s=watched.at_s(latest.onset_low_h - 1),
        onset_high_s=watched.at_s(latest.onset_high_h - 1),
        candidates=candidates,
        history=history,
        evidence=_evidence(watched, change, latest),
        summary=headline(candidates, watched.plant.gauge_kinds),
        action=action(watched.plant, candidates) if leader else "",
    )


def _candidates(watched: Watched, verdict: Verdict) -> tuple[Candidate, ...]:
    order = np.argsort(-verdict.probability)
    listed: list[Candidate] = []
    carried = 0.0
    for index in order:
        probability = float(verdict.probability[index])
        if listed and (probability < LEAST or carried >= LISTED):
            break
        listed.append(_candidate(watched, verdict, int(index)))
        carried += probability
    return tuple(listed)


def _candidate(watched: Watched, verdict: Verdict, index: int) -> Candidate:
    fault = watched.signatures.faults[index]
    size = float(verdict.size[index])
    return Candidate(
        kind=fault.kind,
        subject=fault.subject,
        probability=float(verdict.probability[index]),
        flow_change_percent=_percent(size),
        could_be=could_be(watched.plant, fault.kind, fault.subject, size=size, sudden=verdict.sudden, part=fault.part),
        part=fault.part,
    )


def _percent(log_change: float) -> float:
    return float(100.0 * np.expm1(log_change))


def _evidence(watched: Watched, change: Change, verdict: Verdict) -> tuple[Evidence, ...]:
    """Change of every meter and gauge over the last day before the latest verdict, beside what the causes would make it."""
    departure, cov = watched.watch.departure(change, verdict.hour, EVIDENCE_H)
    half = NINETY_PERCENT * np.sqrt(np.diag(cov))
    order = np.argsort(-verdict.probability)
    rival = order[1] if verdict.probability[order[1]] >= LEAST else None
    first = verdict.change[order[0]]
    second = None if rival is None else verdict.change[rival]
    return tuple(
        Evidence(
            meter=meter,
            measured_percent=_percent(float(departure[column])),
            low_percent=_percent(float(departure[column] - half[column])),
            high_percent=_percent(float(departure[column] + half[column])),
            expected_percent=_percent(float(first[column])),
            rival_percent=None if second is None else _percent(float(second[column])),
        )
        for column, meter in enumerate(watched.baseline.readings)
    )


def stops_of(watched: Watched, events: Sequence[Event]) -> tuple[Finding, ...]:
    """Findings of a pump that stood still for hours while its meters were read, beyond what the journal announces."""
    still = watched.frame.off_s - _announced_s(watched, events) >= STOPPED_S
    edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(int), [0]])))
    return tuple(
        _stop(watched, int(first), int(end)) for first, end in edges.reshape(-1, 2) if end - first >= STOPPED_H
    )


def _announced_s(watched: Watched, events: Sequence[Event]) -> Floats:
    """[T] seconds of each hour that lie in journalled pauses."""
    starts_s = watched.frame.start_s + HOUR_S * np.arange(watched.frame.hours, dtype=np.float64)
    announced = np.zeros(watched.frame.hours)
    for event in events:
        if event.kind is EventKind.FEED_PAUSE:
            from_s = event.at_s - PAUSE_MARGIN_S
            to_s = event.at_s + 60.0 * float(event.value) + PAUSE_MARGIN_S
            announced += np.clip(np.minimum(starts_s + HOUR_S, to_s) - np.maximum(starts_s, from_s), 0.0, HOUR_S)
    return announced


def _stop_candidates(watched: Watched) -> tuple[Candidate, ...]:
    """A pump that stands; where one meter alone says so, that meter may as well be dead."""
    lone = watched.baseline.meters[0] if len(watched.baseline.meters) == 1 else None
    pump = Candidate(
        kind=FaultKind.SUPPLY,
        subject=None,
        probability=STOPPED_SURE if lone is None else STOPPED_LONE,
        flow_change_percent=-100.0,
        could_be=(
            "a pump without power or stopped",
            "a stalled impeller",
            "a trunk that is shut",
            "no water at the intake",
        ),
    )
    if lone is None:
        return (pump,)
    meter = Candidate(
        kind=FaultKind.METER,
        subject=lone,
        probability=1.0 - STOPPED_LONE,
        flow_change_percent=-100.0,
        could_be=could_be(watched.plant, FaultKind.METER, lone, size=FAILED_LOG - 1.0, sudden=True),
    )
    return (pump, meter)


def _stop(watched: Watched, first: int, end: int) -> Finding:
    candidates = _stop_candidates(watched)
    seen = "No flow on any branch" if len(candidates) == 1 else f"Meter {candidates[1].subject} shows no flow"
    raised = watched.told_at_s(first + STOPPED_H - 1)
    over = end < watched.frame.hours
    when = dt.datetime.fromtimestamp(watched.at_s(first), dt.UTC).strftime("%Y-%m-%dT%H")
    return Finding(
        id=f"{when}-stopped",
        raised_at_s=raised,
        cleared_at_s=watched.told_at_s(end) if over else None,
        status=Status.GOOD if over else Status.FAILURE,
        shape="step",
        onset_s=watched.at_s(first - 1),
        onset_low_s=watched.at_s(first - 2),
        onset_high_s=watched.at_s(first),
        candidates=candidates,
        history=(Opinion(at_s=raised, candidates=candidates),),
        evidence=(),
        summary=f"{seen} for {end - first} hours.",
        action="Go and look now: power, pump, water level, trunk valve. Nothing is being filtered or heated through.",
    )


def recoveries_of(watched: Watched, changes: list[Change], events: tuple[Event, ...]) -> tuple[Recovery, ...]:
    """What put an end to each change, and what it gained."""
    return tuple(_recovery(watched, change, events) for change in changes if change.cleared_h is not None)


def _recovery(watched: Watched, change: Change, events: tuple[Event, ...]) -> Recovery:
    fault = watched.signatures.faults[change.latest.top]
    hour = change.cleared_h or 0
    size = float(change.latest.size[change.latest.top])
    last = min(hour + GAIN_H - 1, watched.watch.hour)
    departure, _ = watched.watch.departure(change, last, last - hour + 1)
    now = _share_left(watched, fault.kind, fault.subject, departure)
    return Recovery(
        at_s=watched.told_at_s(hour),
        subject=fault.subject or "pump",
        job=_job(watched, hour, fault.subject, events),
        gain_percent=_percent(np.log(now / 100.0) - size),
        now_percent_of_commissioned=now,
    )


def _share_left(watched: Watched, kind: FaultKind, subject: str | None, departure: Floats) -> float:
    """Per cent of commissioned of what a fault touched, from its own meter or, for the supply, from all of them."""
    meter = (
        subject
        if kind is FaultKind.METER
        else next((run.meter for run in watched.plant.runs if run.name == subject), None)
    )
    if meter in watched.baseline.readings:
        value = departure[watched.baseline.readings.index(meter or "")]
        return float(100.0 * np.exp(value)) if np.isfinite(value) else 100.0
    flow = watched.baseline.flow_m3s
    departure = departure[: len(flow)]
    seen = np.isfinite(departure)
    return float(100.0 * np.sum(flow[seen] * np.exp(departure[seen])) / np.sum(flow[seen])) if seen.any() else 100.0


def _job(watched: Watched, hour: int, subject: str | None, events: tuple[Event, ...]) -> str:
    """The journal entry that explains a recovery, or that it came by itself."""
    since_s = watched.at_s(hour - JOB_H)
    for event in sorted(events, key=lambda entry: -entry.at_s):
        timely = since_s <= event.at_s <= watched.at_s(hour)
        if event.kind is EventKind.MAINTENANCE and timely and event.target == (subject or "pump"):
            return event.value
    return "not in the journal"

"""Setting the watch over a plant: readings, logged speed and maintenance, and the limit that raises a change."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.assessment import FaultKind
from analysis.baseline import Baseline
from analysis.calibration import flow_of_parts
from analysis.carried import Carried, carried
from analysis.commissioning import log_readings, share_of_readings, usable_flow
from analysis.detection.lessons import Lessons
from analysis.detection.looks import Looks
from analysis.detection.memory import KEEP_H, Memory, memory_of, recall
from analysis.detection.regimes import Regime, Touch
from analysis.detection.watch import Watch
from analysis.events import Event, EventKind
from analysis.frames import HOUR_S, Floats, HourFrame
from analysis.gauges import columns_of, usable_shown, usual_wander
from analysis.hydraulics.network import Network, compile_network
from analysis.pulses import PARTS
from analysis.signatures import Signatures, signatures_of, speed_change, usual_noise
from analysis.speeds import Speeds, speeds_of
from analysis.timeline import SETTLE_S
from config.plant import GaugeKind, Plant
from config.settings import AlarmSettings

HOURS_A_YEAR = 8766.0
# A look with less behind it says too little.
LOOK_SECONDS = 240.0
# Work on a branch may leave it this far from where it was: new media pack differently, a valve is set by eye (log
# flow, one standard deviation). Common practice, no source.
WORK_SD = {"media_changed": 0.05, "valve_set": 0.30, "pump_cleaned": 0.05, "meter_cleaned": 0.05}
# A logged speed is taken at its word up to this share of the change that it should bring.
SPEED_TRUST = 0.10
# What of that is each meter's own: it reads otherwise at another flow, and losses do not all grow alike.
SPEED_TRUST_METER = 0.05
# The bound on the rate of false alarms is far from sharp, the more so once longer wanders are weighed: an alarm is
# raised at this share of the hours that the bound asks for. Tuned on simulated plants (tests/bench).
BOUND_SHARE = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """A watch that has taken in all hours, and what it was made of.

    Attributes:
        readings: [T, M] log reading over what the commissioned plant would show at the logged speed, of the meters
            and then of the gauges.
        shift: [T or T + 1, M] log change that the logged speed and the K-factors in force should bring.
        carried: [T or T + 1, meters] what of that is the K-factors'.
        known_at_s: [T or T + 1, PARTS] UTC epoch seconds from which on the parts of each hour were known for good; one
            more hour where one that is not over was looked at.
        flow_m3s: [T, meters] measured, nan unknown. shown: [T, gauges] Pa or W, likewise.
        memory: to go on from another time, if it holds enough more than the one that this went on from.
        run_flow_m3s: [R] true flow of every run as commissioned, by the fitted network.
    """

    plant: Plant
    network: Network
    signatures: Signatures
    baseline: Baseline
    watch: Watch
    frame: HourFrame
    flow_m3s: Floats
    shown: Floats
    readings: Floats
    shift: Floats
    carried: Floats
    memory: Memory | None
    known_at_s: Floats

    def told_at_s(self, hour: int, part: int = 0) -> int:
        """When the readings of an hour, or of its first parts, could be known for good: UTC epoch seconds."""
        return int(self.known_at_s[hour, part - 1])

    def at_s(self, hour: int) -> int:
        """When an hour ends, UTC epoch seconds."""
        return self.frame.start_s + (hour + 1) * HOUR_S


def watch_over(  # noqa: PLR0913 - what a watch needs, named at the one call
    plant: Plant,
    *,
    alarms: AlarmSettings,
    baseline: Baseline,
    frame: HourFrame,
    flow_m3s: Floats,
    events: Sequence[Event],
    now_s: float | None = None,
    memories: Sequence[Memory] = (),
    tell: Callable[[int, int], None] | None = None,
) -> Watched:
    """Take in every hour of the frame that is known for good, and look at the one after by its first parts.

    Args:
        plant: as built.
        alarms: how many false alarms are accepted.
        baseline: as commissioned, of the frame's meters.
        frame: hours, from the commissioning on or earlier.
        flow_m3s: [T, meters] by the K-factors in force.
        events: the journal.
        now_s: time of the last reading, UTC epoch seconds; without it all hours are known for good.
        memories: of watches over earlier hours of the plant; one that does not fit is passed over.
        tell: is told how many hours are done, and of how many.
    """
    settled, parts = (frame.hours, 0) if now_s is None else known_hours(frame, now_s)
    frame = frame.until(settled + (parts > 0))
    flow_m3s = flow_m3s[: frame.hours]
    network = compile_network(plant)
    state = baseline.state(network)
    signatures = signatures_of(plant, network, state, baseline.meters, baseline.gauge_names)
    speeds = _speeds(plant, baseline, frame, events)
    by_speed = _speed_shift(plant, baseline, network, speeds.after)
    flow = np.where(baseline.counts(frame), usable_flow(frame, flow_m3s), np.nan)
    shown = usable_shown(frame, baseline.gauge_names)
    usual_shown = np.array([gauge.shown for gauge in baseline.gauges])
    logs = np.concatenate([log_readings(flow, baseline.flow_m3s), log_readings(shown, usual_shown)], axis=1)
    # an hour at two speeds is like none of them
    logs = np.where(speeds.mixed[:, None], np.nan, logs - by_speed)
    count = len(baseline.meters)
    calibrated = carried(plant, baseline, frame, logs[:, :count], events)
    readings, shift = logs.copy(), by_speed.copy()
    readings[:, :count] -= calibrated.shift
    shift[:, :count] += calibrated.shift
    watch = Watch(
        regimes=_regimes(plant, network, baseline, signatures, speeds.after),
        threshold=limit(alarms, len(baseline.meters)),
        judge_from_h=int((baseline.to_s - frame.start_s) // HOUR_S),
        touches=_touches(plant, signatures, frame, events, by_speed, calibrated),
        lessons=Lessons(
            from_h=max(int((baseline.from_s - frame.start_s) // HOUR_S), 0),
            commissioned_h=int((baseline.to_s - baseline.from_s) // HOUR_S),
            usual=usual_noise(signatures.common, gauge_wander_sd=usual_wander(plant, baseline.gauge_names)),
        ),
    )
    shares = share_of_readings(frame, baseline.gauge_names)
    recalled = recall(watch, memories, readings[:settled], shares[:settled])
    first = watch.hour + 1
    looks = _looks(plant, baseline, frame.between(first, frame.hours), events, shift[first:])
    for hour in range(first, settled):
        watch.take(readings[hour], shares[hour], None if looks is None else looks[hour - first])
        if tell is not None:
            tell(hour + 1, settled)
    known_h = -1 if recalled is None else recalled.hour
    memory = memory_of(watch, readings[:settled], shares[:settled]) if watch.hour - known_h >= KEEP_H else None
    if looks is not None and settled < frame.hours:
        watch.look(looks[settled - first].upto(parts))
    return Watched(
        plant=plant,
        network=network,
        signatures=signatures,
        baseline=baseline,
        watch=watch,
        frame=frame.until(settled),
        flow_m3s=flow[:settled],
        shown=shown[:settled],
        readings=readings[:settled],
        shift=shift,
        carried=calibrated.shift,
        memory=memory,
        known_at_s=frame.parts.known_at_s if frame.parts is not None else _late(frame),
    )


def known_hours(frame: HourFrame, now_s: float) -> tuple[int, int]:
    """How many hours no later reading can change, and how many parts of the hour after them.

    Args:
        frame: hours.
        now_s: time of the last reading, UTC epoch seconds.
    """
    known_at_s = frame.parts.known_at_s if frame.parts is not None else _late(frame)
    hours = int(np.searchsorted(known_at_s[:, -1], now_s, side="right"))
    if frame.parts is None or hours == frame.hours:
        return hours, 0
    return hours, int(np.searchsorted(known_at_s[hours], now_s, side="right"))


def _late(frame: HourFrame) -> Floats:
    """[T, PARTS] when hours without parts are known: SETTLE_S after their end."""
    ends_s = frame.start_s + HOUR_S * np.arange(1.0, frame.hours + 1.0) + SETTLE_S
    return np.repeat(ends_s[:, None], PARTS, axis=1)


def _looks(
    plant: Plant, baseline: Baseline, frame: HourFrame, events: Sequence[Event], shift: Floats
) -> list[Looks] | None:
    """The looks at every hour, one after each part but the last; None without parts."""
    parts = frame.parts
    if parts is None:
        return None

    counts = baseline.counts(frame)

    def readings(pulses: Floats, seconds: Floats) -> tuple[Floats, Floats]:
        flow = flow_of_parts(frame, pulses, seconds, plant.meters, events)
        usable = np.where((seconds >= LOOK_SECONDS) & counts[:, None], flow, np.nan)
        logs = log_readings(usable, baseline.flow_m3s) - shift[:, None, : len(baseline.meters)]
        # a gauge is read by the whole hour
        unseen = np.zeros((*logs.shape[:2], len(baseline.gauges)))
        share = np.concatenate([seconds / HOUR_S, unseen], axis=2)
        return np.concatenate([logs, unseen + np.nan], axis=2), share

    reading, share = readings(*(np.cumsum(side[:, :-1], axis=1) for side in (parts.pulses, parts.seconds)))
    alone, alone_share = readings(parts.pulses[:, :-1], parts.seconds[:, :-1])
    return [
        Looks(reading=reading[hour], share=share[hour], alone=alone[hour], alone_share=alone_share[hour])
        for hour in range(frame.hours)
    ]


def limit(alarms: AlarmSettings, meters: int) -> float:
    """Log odds at which a change is raised, from the accepted rate of false alarms.

    A Shiryaev-Roberts statistic that is raised at A gives one false alarm in not less than A hours, and on these plants
    in several times as many.
    """
    hours = HOURS_A_YEAR / (alarms.false_alarms_per_branch_year * meters)
    return float(np.log(BOUND_SHARE * hours))


def _speeds(plant: Plant, baseline: Baseline, frame: HourFrame, events: Sequence[Event]) -> Speeds:
    """The speed of every hour: after the healthy days it starts from the commissioned one."""
    since = [event for event in events if event.at_s >= baseline.to_s]
    healthy = np.arange(frame.hours) < (baseline.to_s - frame.start_s) // HOUR_S
    by_journal, later = speeds_of(frame, events, plant.pump.speed), speeds_of(frame, since, baseline.speed)
    return Speeds(np.where(healthy, by_journal.after, later.after), np.where(healthy, by_journal.mixed, later.mixed))


def _speed_shift(plant: Plant, baseline: Baseline, network: Network, speeds: Floats) -> Floats:
    """[T, M] log change of the readings at the logged speeds [T], fractions, against the commissioned speed."""
    shift = np.zeros((len(speeds), len(baseline.readings)))
    state = baseline.state(network)
    columns = columns_of(plant, network, baseline.meters, baseline.gauge_names)
    for speed in np.unique(speeds[speeds != baseline.speed]):
        shift[speeds == speed] = speed_change(network, state, float(speed), columns)
    return shift


def _regimes(
    plant: Plant, network: Network, baseline: Baseline, signatures: Signatures, speeds: Floats
) -> tuple[Regime, ...]:
    """How the plant wanders, and how faults show in it, at the logged speeds [T].

    An outlet that the pump only just reaches follows every centimetre of the sump.
    """
    regimes = [Regime(from_h=0, model=baseline.noise, hypotheses=signatures.hypotheses)]
    state = baseline.state(network)
    known = {baseline.speed: signatures}
    for hour in np.flatnonzero(np.diff(speeds, prepend=baseline.speed)).tolist():
        speed = float(speeds[hour])
        if speed not in known:
            known[speed] = signatures_of(
                plant, network, replace(state, speed=speed), baseline.meters, baseline.gauge_names
            )
        there = known[speed]
        noise = replace(baseline.noise, common_signature=there.common)
        regimes.append(Regime(from_h=hour, model=noise, hypotheses=there.hypotheses))
    return tuple(regimes)


def _touches(  # noqa: PLR0913, PLR0917 - all that the journal can touch
    plant: Plant,
    signatures: Signatures,
    frame: HourFrame,
    events: Sequence[Event],
    shift: Floats,
    calibrated: Carried,
) -> tuple[Touch, ...]:
    touches = []
    off = dict(calibrated.off)
    for event in events:
        hour = int((event.at_s - frame.start_s) // HOUR_S)
        if not 0 <= hour < frame.hours:
            continue
        if event.kind is EventKind.MAINTENANCE:
            touches.append(Touch(hour=hour, pattern=_unit_pattern(plant, signatures, event), sd=WORK_SD[event.value]))
            touches.extend(_on_power(plant, signatures, hour) if event.value == "pump_cleaned" else ())
        elif event.kind is EventKind.PUMP_SPEED and hour > 0:
            moved = shift[hour] - shift[hour - 1]
            touches.append(Touch(hour=hour, pattern=moved, sd=SPEED_TRUST, anew=False))
            touches.extend(Touch(hour=hour, pattern=own, sd=SPEED_TRUST_METER, anew=False) for own in np.diag(moved))
        elif event.kind is EventKind.CALIBRATION and event.target in signatures.meters:
            sd = max(off.get(event, 0.0), WORK_SD["meter_cleaned"])
            # the hour that it falls into is still seen by the K-factors of before
            hour = -int(-(event.at_s - frame.start_s) // HOUR_S)
            touches.append(Touch(hour=hour, pattern=_own(signatures, event.target), sd=sd))
    return tuple(touches)


def _on_power(plant: Plant, signatures: Signatures, hour: int) -> tuple[Touch, ...]:
    """A cleaned pump may draw more or less than its flows tell."""
    kinds = plant.gauge_kinds
    return tuple(
        Touch(hour=hour, pattern=_own(signatures, name), sd=WORK_SD["pump_cleaned"])
        for name in signatures.gauges
        if kinds[name] is GaugeKind.POWER
    )


def _own(signatures: Signatures, meter: str) -> Floats:
    own: Floats = (np.array(signatures.readings) == meter).astype(np.float64)
    return own


def _unit_pattern(plant: Plant, signatures: Signatures, event: Event) -> Floats:
    """[M] change of the readings by the work's own kind of change, scaled to one in what it touches."""
    if event.target in signatures.meters:
        return _own(signatures, event.target)
    run = next((run for run in plant.runs if run.name == event.target), None)
    if event.value == "meter_cleaned" and run is not None and run.meter in signatures.meters:
        return _own(signatures, run.meter or "")
    hypotheses = signatures.hypotheses
    if event.value == "pump_cleaned" or run is None:
        name = next(fault.name for fault in signatures.faults if fault.kind is FaultKind.SUPPLY)
    else:
        name = f"restriction:{run.name}"
    if name not in hypotheses.names:
        by_speed: Floats = signatures.common[:, 0]
        return by_speed
    own = np.flatnonzero(hypotheses.owner == hypotheses.names.index(name))
    middle = own[np.argmin(np.abs(np.abs(hypotheses.size[own]) - 0.1))]
    pattern: Floats = hypotheses.patterns[middle] / abs(hypotheses.size[middle])
    return pattern

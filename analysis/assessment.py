"""What the analysis says: frozen values that alarms, the report and the page show and never compute."""

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from analysis.detection.memory import Memory
from analysis.frames import Floats
from config.plant import GaugeKind

DAY_S = 86400.0


class FaultKind(StrEnum):
    """What can be wrong, as far as flow meters and gauges can tell; a gauge that reads wrong is of the kind METER."""

    RESTRICTION = "restriction"
    OPENING = "opening"
    SUPPLY = "supply"
    METER = "meter"


class SupplyPart(StrEnum):
    """What of the supply may have changed; no flow meter tells these apart at one speed, the pump's power may."""

    IMPELLER = "impeller"
    INTAKE = "intake or trunk"
    SPEED = "speed"


class Status(StrEnum):
    """The four status signals of NAMUR NE 107 in words, and Good."""

    GOOD = "Good"
    FAILURE = "Failure"
    FUNCTION_CHECK = "Function check"
    OUT_OF_SPECIFICATION = "Out of specification"
    MAINTENANCE_REQUIRED = "Maintenance required"


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One possible cause of a finding.

    Attributes:
        subject: the run (restriction, opening), meter or gauge; None for the supply.
        part: of the supply, where the pump's power is read; None for all of it, and for all else.
        flow_change_percent: of the run, of the pump's total (supply), or of the reading (meter).
        could_be: causes in plain words that no flow meter can tell apart.
    """

    kind: FaultKind
    subject: str | None
    probability: float
    flow_change_percent: float
    could_be: tuple[str, ...]
    part: SupplyPart | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Opinion:
    """What was thought of a finding at one time; used nothing later than `at_s` (UTC epoch seconds)."""

    at_s: int
    candidates: tuple[Candidate, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Measured change of one meter's flow, or gauge, since the onset beside what the leading causes would make it.

    Attributes:
        meter: name of the meter or gauge.
        measured_percent, low_percent, high_percent: change with its 90 % interval.
        expected_percent: what the first candidate would give.
        rival_percent: what the runner-up would give; None without one.
    """

    meter: str
    measured_percent: float
    low_percent: float
    high_percent: float
    expected_percent: float
    rival_percent: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something is wrong, since when, what it may be, what speaks for it and what to do.

    Attributes:
        id: stable for the same readings ("2026-11-03T14-carbon").
        onset_s, onset_low_s, onset_high_s: most likely onset with its 90 % interval, UTC epoch seconds.
        shape: "step" or "ramp", what the data favour.
        candidates: the latest opinion, most probable first; all of history[-1].
        history: opinions in order, the first at raised_at_s.
        summary: one sentence. action: what to do this week.
    """

    id: str
    raised_at_s: int
    cleared_at_s: int | None
    status: Status
    shape: str
    onset_s: int
    onset_low_s: int
    onset_high_s: int
    candidates: tuple[Candidate, ...]
    history: tuple[Opinion, ...]
    evidence: tuple[Evidence, ...]
    summary: str
    action: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """When a drifting branch leaves its target: best estimate and 90 % interval, UTC epoch seconds."""

    made_at_s: int
    run: str
    below_target_at_s: int
    low_s: int
    high_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Isolability:
    """Whether two faults can be told apart on this plant: hours needed, None for never."""

    first: str
    second: str
    hours: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """What a job gained: flow of a run or of the pump's total before and after, per cent of commissioned."""

    at_s: int
    subject: str
    job: str
    gain_percent: float
    now_percent_of_commissioned: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MediaLife:
    """One filling of a branch's media.

    Attributes:
        from_s, to_s: renewed, and renewed again (None while it lasts), UTC epoch seconds.
        whole: whether it was new at `from_s`; the first one was there before the watch.
        lost_percent: how much less flow its last day had than its first; None where that was not seen.
        useful_s: until the day's mean left the branch's target, or as it was last foretold; None for neither.
    """

    run: str
    from_s: int
    to_s: int | None
    whole: bool
    lost_percent: float | None
    useful_s: float | None

    @property
    def useful_days(self) -> float | None:
        """`useful_s` in days."""
        return None if self.useful_s is None else self.useful_s / DAY_S


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterState:
    """One meter now.

    Attributes:
        run: the run it sits on; None for none.
        status, reason: NE 107 word and why.
        flow_m3s: mean of the last 24 hours; nan without readings.
        commissioned_m3s: what it showed when commissioned, by the K-factors in force now.
        completeness: share of the last 7 days' hours that hold a reading or a recognised pause, 0..1.
    """

    name: str
    run: str | None
    status: Status
    reason: str
    flow_m3s: float
    commissioned_m3s: float
    completeness: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeState:
    """One gauge now: mean of the last 24 hours, nan without readings, and what it showed when commissioned; Pa or W.

    `run` is at whose end it reads a pressure; None for the pump's power.
    """

    name: str
    run: str | None
    shown: float
    commissioned: float
    reads: GaugeKind = GaugeKind.PRESSURE


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """Everything that is known at `now_s`.

    Attributes:
        forecasts: what is expected now of the findings that are open, one a run.
        forecast_history: every forecast that was made, in order of time; each used nothing later than its own time.
        media_lives: every filling of media so far, by run and in order of time.
        hours_s: [T] UTC epoch seconds of the hours shown.
        flow_m3s: [T, M] measured flow, nan unknown. meters: the columns.
        expected_m3s: [T, M] what the commissioned plant would show at the logged speed, by the K-factors of the hour.
        gauge_states: of the gauges that take part; the columns [G].
        gauge_shown: [T, G] what they showed, Pa or W, nan unknown. gauge_expected: [T, G] as expected_m3s.
        not_commissioned: meters on a run that commissioning left out.
        memory: worth keeping for the next assessment; None where the last one still serves.
    """

    now_s: int
    findings: tuple[Finding, ...]
    forecasts: tuple[Forecast, ...]
    forecast_history: tuple[Forecast, ...] = ()
    isolability: tuple[Isolability, ...]
    recoveries: tuple[Recovery, ...]
    media_lives: tuple[MediaLife, ...] = ()
    meter_states: tuple[MeterState, ...]
    pump_status: Status
    pump_reason: str
    meters: tuple[str, ...]
    hours_s: Floats
    flow_m3s: Floats
    expected_m3s: Floats
    gauge_states: tuple[GaugeState, ...] = ()
    gauge_shown: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    gauge_expected: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    not_commissioned: tuple[str, ...] = ()
    memory: Memory | None = None

    @property
    def doubted_meters(self) -> frozenset[str]:
        """Meters whose own reading is what an open finding most likely comes from: what they show is no flow."""
        return frozenset(
            finding.candidates[0].subject or ""
            for finding in self.findings
            if finding.cleared_at_s is None and finding.candidates[0].kind is FaultKind.METER
        )

    @property
    def renewed_lives(self) -> tuple[MediaLife, ...]:
        """The lives of media on the runs where some have been renewed."""
        renewed = {life.run for life in self.media_lives if life.whole}
        return tuple(life for life in self.media_lives if life.run in renewed)

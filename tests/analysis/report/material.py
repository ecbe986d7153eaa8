"""An invented plant and what is known of it, for the tests of the report. Every figure is made up."""

import dataclasses

import numpy as np

from analysis.assessment import (
    Assessment,
    Candidate,
    Evidence,
    FaultKind,
    Finding,
    Forecast,
    Isolability,
    MediaLife,
    MeterState,
    Opinion,
    Recovery,
    Status,
)
from analysis.events import Event, EventKind
from analysis.frames import HOUR_S, Floats
from analysis.report.content import Rejected
from config.plant import Meter, Pipe, Plant, Pump, Run, Target, Water
from config.settings import PlantFile, ReportSettings, Settings

LITRE_PER_H = 1e-3 / 3600
DAY_S = 24 * HOUR_S
NOW_S = 1795392000  # 2026-11-23T00:00:00Z
DAYS = 42
GAP = slice(-400, -350)
FLOWS = {"return": 4350.0, "uv": 1480.0, "carbon": 405.0, "phosphate": 352.0, "scrubber": 1010.0}
TARGETS = {
    "return": (3700.0, 4900.0),
    "uv": (1300.0, 1700.0),
    "carbon": (300.0, 450.0),
    "phosphate": (250.0, None),
    "scrubber": None,
}


def plant_file(names: dict[str, str] | None = None, *, trend_days: int = 28, unit: str = "L/h") -> PlantFile:
    """The plant file of the rack; `names` renames runs, `lagoon` being the plant's own name."""
    called = (
        {name: name for name in (*FLOWS, "refugium", "header", "lagoon")} | {"lagoon": "Lagoon rack"} | (names or {})
    )
    pipe = Pipe(label="25 mm", bore_m=0.025, length_m=1.0, roughness_m=1.5e-6)
    branches = [
        Run(
            name=called[name],
            start="tee",
            outlet_m=0.4,
            path=(pipe,),
            target=_target(TARGETS.get(name)),
            meter=f"M{place}" if name in FLOWS else None,
        )
        for place, name in enumerate((*FLOWS, "refugium"), start=1)
    ]
    plant = Plant(
        name=called["lagoon"],
        flow_unit=unit,
        timezone="Atlantic/Azores",
        water=Water(),
        pump=Pump(curve=((0.0, 4.8), (0.0028, 0.6))),
        runs=(Run(name=called["header"], start="pump", end="tee", path=(pipe,)), *branches),
        meters=tuple(Meter(name=f"M{place}", k_points=((0.0, 450.0),)) for place in range(1, 6)),
    )
    settings = Settings(report=ReportSettings(trend_days=trend_days))
    return PlantFile(path="rack.toml", plant=plant, settings=settings)


def _target(bounds: tuple[float | None, float | None] | None) -> Target | None:
    if bounds is None:
        return None
    low, high = (None if bound is None else bound * LITRE_PER_H for bound in bounds)
    return Target(low_m3s=low, high_m3s=high)


def hours(*, clogging: bool = True) -> tuple[Floats, Floats, Floats]:
    """Six weeks: carbon clogs from the 11th of November, two days are not read, one hour stands alone in a gap."""
    hours_s = np.arange(NOW_S - DAYS * DAY_S, NOW_S, HOUR_S, dtype=np.float64)
    steps = np.arange(len(hours_s))
    noise = np.random.default_rng(7).normal(scale=0.006, size=(len(hours_s), len(FLOWS)))
    expected = np.array(list(FLOWS.values())) * (1 + 0.004 * np.sin(steps / 24 * 2 * np.pi))[:, np.newaxis]
    flow = expected * (1 + noise)
    ramp = np.clip((hours_s - (NOW_S - 12 * DAY_S)) / (14 * DAY_S), 0, 1) * clogging
    flow[:, 2] *= 1 - 0.36 * ramp
    flow[:, [0, 1, 3, 4]] *= 1 + 0.006 * ramp[:, np.newaxis]
    flow[GAP] = np.nan
    flow[GAP.start + 20] = expected[GAP.start + 20]
    return hours_s, flow * LITRE_PER_H, expected * LITRE_PER_H


def finding(subject: str = "carbon", meter: str = "M3") -> Finding:
    """Carbon is restricted, or its meter reads low."""
    onset_s = NOW_S - 12 * DAY_S
    restricted = Candidate(
        kind=FaultKind.RESTRICTION,
        subject=subject,
        probability=0.83,
        flow_change_percent=-29.4,
        could_be=("its media is clogging", "its valve was moved", "something sits in its pipe"),
    )
    misread = Candidate(
        kind=FaultKind.METER,
        subject=meter,
        probability=0.16,
        flow_change_percent=-29.8,
        could_be=("the rotor is fouled", "a bearing is worn"),
    )
    early = (
        dataclasses.replace(restricted, probability=0.58, flow_change_percent=-6.2),
        dataclasses.replace(misread, probability=0.4, flow_change_percent=-6.3),
    )
    measured = {"M1": 0.6, "M2": 0.7, "M3": -29.5, "M4": 0.5, "M5": 0.6}
    rival = {"M1": 0.0, "M2": 0.0, "M3": -29.8, "M4": 0.0, "M5": 0.0}
    return Finding(
        id="2026-11-12T14-carbon",
        raised_at_s=onset_s + 38 * HOUR_S,
        cleared_at_s=None,
        status=Status.MAINTENANCE_REQUIRED,
        shape="ramp",
        onset_s=onset_s,
        onset_low_s=onset_s - 20 * HOUR_S,
        onset_high_s=onset_s + 12 * HOUR_S,
        candidates=(restricted, misread),
        history=(
            Opinion(at_s=onset_s + 38 * HOUR_S, candidates=early),
            Opinion(at_s=NOW_S - DAY_S, candidates=(restricted, misread)),
        ),
        evidence=tuple(
            Evidence(
                meter=name,
                measured_percent=value,
                low_percent=value - 0.4,
                high_percent=value + 0.4,
                expected_percent=-29.4 if name == "M3" else 0.6,
                rival_percent=rival[name],
            )
            for name, value in measured.items()
        ),
        summary=f"The flow of {subject} is falling: its media is probably clogging.",
        action=f"Change the media of {subject}; then look whether its valve stands where it did.",
    )


def supply_finding() -> Finding:
    """The supply was weaker for a week; over since the pump was cleaned."""
    onset_s = NOW_S - 26 * DAY_S
    weaker = Candidate(
        kind=FaultKind.SUPPLY,
        subject=None,
        probability=0.97,
        flow_change_percent=-6.0,
        could_be=("a fouled impeller", "a blocked intake", "a restricted trunk"),
    )
    return dataclasses.replace(
        finding(),
        id="2026-10-29T00-supply",
        raised_at_s=onset_s + 20 * HOUR_S,
        cleared_at_s=onset_s + 7 * DAY_S,
        status=Status.OUT_OF_SPECIFICATION,
        shape="step",
        onset_s=onset_s,
        onset_low_s=onset_s - HOUR_S,
        onset_high_s=onset_s + HOUR_S,
        candidates=(weaker,),
        history=(Opinion(at_s=onset_s + 20 * HOUR_S, candidates=(weaker,)),),
        evidence=(),
        summary="All branches get less: the supply has weakened.",
        action="Clean the pump's impeller and its intake.",
    )


def assessment(*findings: Finding) -> Assessment:
    """What is known of the rack at `NOW_S`; without findings its carbon is healthy."""
    hours_s, flow, expected = hours(clogging=bool(findings))
    states = tuple(
        MeterState(
            name=f"M{place}",
            run=run,
            status=Status.GOOD,
            reason="It agrees with the others.",
            flow_m3s=float(np.nanmean(flow[-24:, place - 1])),
            commissioned_m3s=litres * LITRE_PER_H,
            completeness=1.0,
        )
        for place, (run, litres) in enumerate(FLOWS.items(), start=1)
    )
    forecast = Forecast(
        made_at_s=NOW_S,
        run="carbon",
        below_target_at_s=NOW_S + 3 * DAY_S,
        low_s=NOW_S + 2 * DAY_S,
        high_s=NOW_S + 5 * DAY_S,
    )
    return Assessment(
        now_s=NOW_S,
        findings=findings,
        forecasts=(forecast,) if findings else (),
        isolability=(
            Isolability(first="restriction:carbon", second="meter:M3", hours=None),
            Isolability(first="restriction of uv", second="meter M2 reading low", hours=72.0),
        ),
        recoveries=(
            Recovery(
                at_s=NOW_S - 19 * DAY_S,
                subject="pump",
                job="pump_cleaned",
                gain_percent=6.4,
                now_percent_of_commissioned=99.7,
            ),
        ),
        media_lives=media_lives(),
        meter_states=states,
        pump_status=Status.GOOD,
        pump_reason="The whole flow is what it was when commissioned.",
        meters=tuple(f"M{place}" for place in range(1, 6)),
        hours_s=hours_s,
        flow_m3s=flow,
        expected_m3s=expected,
    )


def media_lives() -> tuple[MediaLife, ...]:
    """Carbon that was there before the watch, and the filling after it."""
    return (
        MediaLife(
            run="carbon",
            from_s=NOW_S - 60 * DAY_S,
            to_s=NOW_S - 40 * DAY_S,
            whole=False,
            lost_percent=18.4,
            useful_s=None,
        ),
        MediaLife(
            run="carbon",
            from_s=NOW_S - 40 * DAY_S,
            to_s=None,
            whole=True,
            lost_percent=12.2,
            useful_s=43 * DAY_S,
        ),
    )


def events() -> tuple[Event, ...]:
    """A pump cleaned, a night at low speed, a calibration, and a feed pause a day."""
    pauses = [
        Event(at_s=NOW_S - day * DAY_S + 43200.0, kind=EventKind.FEED_PAUSE, target="pump", value="10")
        for day in range(1, 29)
    ]
    return (
        Event(at_s=NOW_S - 19 * DAY_S + 0.0, kind=EventKind.MAINTENANCE, target="pump", value="pump_cleaned"),
        Event(at_s=NOW_S - 9 * DAY_S + 0.0, kind=EventKind.CALIBRATION, target="M5", value="452.5"),
        Event(at_s=NOW_S - 8 * DAY_S + 0.0, kind=EventKind.MAINTENANCE, target="uv", value="valve_set"),
        *pauses,
    )


def rejected() -> tuple[Rejected, ...]:
    """Two reasons."""
    return (
        Rejected(source="rack.csv.gz", reason="the line holds 2 fields, not 3", times=2),
        Rejected(source="bench", reason="the checksum is wrong", times=1437),
    )

"""One scenario put to the diagnosis, by the project's own door, and to its peers: what each of them said, and when.

Times are hours from the record's first, as floats; everything here is plain, so that it passes between processes.
"""

import time
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analysis.assess import assess
from analysis.assessment import Finding, Forecast
from analysis.calibration import flow_of
from analysis.commissioning import commission
from analysis.detection.noise import NoiseModel
from analysis.events import EventKind
from analysis.frames import HOUR_S
from analysis.signatures import VISCOSITY_PER_KELVIN
from analysis.timeline import SETTLE_S
from tests.bench.diagnosis_parts.crossing_limit import Least, least_error
from tests.bench.diagnosis_parts.faults import GROWING, Answer
from tests.bench.diagnosis_parts.life import PROFILES, START_S
from tests.bench.diagnosis_parts.oracle import Oracle, ask_oracle
from tests.bench.diagnosis_parts.peers import cusum, five_percent
from tests.bench.diagnosis_parts.scenario import Scenario, draw_scenario

LOOKS_H = (0, 24, 72)
LEADS_H = (24, 48, 72, 120, 168, 240)
DAY_MEAN_LAG_H = 12  # a branch has crossed once the mean of a day has
# A noisy meter jumps from hour to hour, and only its jumps would tell the oracle anything: no bound is drawn from them.
UNBOUNDED = frozenset({"meter_noisy"})

Named = tuple[tuple[Answer, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A finding: when it was raised and cleared, and every opinion of its causes with its time."""

    at_h: float
    cleared_h: float | None
    opinions: tuple[tuple[float, Named], ...]

    def named(self, after_h: float) -> Named:
        """The opinion that stood so many hours after it was raised."""
        return [named for at_h, named in self.opinions if at_h <= self.at_h + after_h][-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Foretold:
    """A forecast: of what run, when it was made, the time and its 90 % interval."""

    run: str
    made_h: float
    at_h: float
    low_h: float
    high_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The oracle's part.

    Attributes:
        bound_h, found_h: its bound, and when it was sure. named: its naming so many hours after OUR alarm (by LOOKS_H).
        least: by run and hours ahead (LEADS_H), how far off the best forecast of a crossing would be.
    """

    bound_h: int | None
    found_h: int | None
    named: tuple[Named, ...]
    least: dict[tuple[str, int], Least]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What was true and what was said.

    Attributes:
        answer: None where nothing is wrong. onset_h, end_h: of the fault.
        healthy_h: the watch begins. hours: length of the record. meters: how many.
        loss: by hour. crossed_h: by branch, end of the first hour whose day's mean is below the keeper's least flow.
        marks: hours of what is no fault, by kind.
        findings, forecasts: ours. five_percent, cusum: hours of the peers' alarms. oracle: None without a fault.
        commission_s, assess_s, rest_s: CPU time.
    """

    number: int
    kind: str
    answer: Answer | None
    onset_h: int | None
    end_h: int | None
    healthy_h: int
    hours: int
    meters: int
    loss: tuple[float, ...]
    crossed_h: dict[str, int]
    marks: dict[str, tuple[int, ...]]
    findings: tuple[Said, ...]
    forecasts: tuple[Foretold, ...]
    five_percent: tuple[int, ...]
    cusum: tuple[int, ...]
    oracle: Asked | None
    commission_s: float
    assess_s: float
    rest_s: float

    @property
    def watched(self) -> tuple[int, int]:
        """The hours in which an alarm is a false one: from commissioning until the fault, if there is one."""
        return self.healthy_h, self.hours if self.onset_h is None else self.onset_h

    @property
    def until_h(self) -> float:
        """Up to when finding the fault counts: a day after its end."""
        return float(self.hours + 1 if self.end_h is None else self.end_h + 24)

    @property
    def found(self) -> Said | None:
        """Our first finding since the onset, if it is in time."""
        if self.onset_h is None:
            return None
        return next((said for said in self.findings if self.onset_h <= said.at_h < self.until_h), None)


def run_trial(profile: str, seed: int, number: int, *, known_noise: bool = False) -> Trial:
    """Draw a scenario, commission on its healthy days, assess all of it, and ask peers and oracle.

    With `known_noise` the diagnosis is told how the plant truly wanders, instead of what it learned.
    """
    begin_s = time.process_time()
    scenario = draw_scenario(PROFILES[profile], seed, number)
    drawn_s = time.process_time()
    plant = scenario.plant_file.plant
    healthy = scenario.frame.until(scenario.healthy_h)
    baseline = commission(plant, healthy, flow_of(healthy, plant.meters), speed=plant.pump.speed)
    if known_noise:
        baseline = replace(baseline, noise=_true_noise(scenario, baseline.noise))
    known_s = time.process_time()
    now_s = scenario.frame.end_s + SETTLE_S
    assessment = assess(scenario.plant_file, baseline, scenario.frame, scenario.events, now_s, isolability=False)
    assessed_s = time.process_time()
    findings = tuple(_said(finding) for finding in assessment.findings)
    oracle = None if scenario.truth.fault.onset_h is None else _asked(ask_oracle(scenario), scenario, findings)
    by_rule, by_cusum = five_percent(scenario), cusum(scenario)
    return _trial(
        scenario,
        findings=findings,
        forecasts=tuple(_foretold(forecast) for forecast in assessment.forecast_history),
        five_percent=by_rule,
        cusum=by_cusum,
        oracle=oracle,
        commission_s=known_s - drawn_s,
        assess_s=assessed_s - known_s,
        rest_s=time.process_time() - assessed_s + drawn_s - begin_s,
    )


def _trial(scenario: Scenario, **said: Any) -> Trial:
    """The scenario's own facts beside what was said of it."""
    truth = scenario.truth
    work = tuple(
        int((event.at_s - START_S) // HOUR_S) for event in scenario.events if event.kind is EventKind.MAINTENANCE
    )
    return Trial(
        number=scenario.number,
        kind=scenario.kind,
        answer=truth.fault.answer,
        onset_h=truth.fault.onset_h,
        end_h=truth.fault.end_h,
        healthy_h=scenario.healthy_h,
        hours=scenario.frame.hours,
        meters=len(scenario.frame.meters),
        loss=tuple(truth.loss.tolist()),
        crossed_h={run: hour + 1 for run, hour in truth.crossed_h.items()},
        marks={
            "logged_speeds": truth.speeds_h,
            "logged_work": work,
            "pauses": truth.logging.pauses_h,
            "power_cuts": truth.logging.cuts_h,
            "counter_resets": truth.logging.resets_h,
        },
        **said,
    )


def _true_noise(scenario: Scenario, learned: NoiseModel) -> NoiseModel:
    """The noise that was drawn, in the words of the diagnosis; its common parts are speed, sump and temperature."""
    meters, weather = scenario.truth.meters, scenario.truth.weather
    warmth_k = np.log(weather.viscosity_m2s) / VISCOSITY_PER_KELVIN
    return replace(
        learned,
        white_sd=meters.white_sd,
        wander_sd=meters.wander_sd,
        wander_tau_h=meters.wander_tau_h,
        common_sd=np.array([weather.speed_sd, np.std(weather.sump_rise_m), np.std(warmth_k)]),
        common_tau_h=np.array([weather.speed_tau_h, *learned.common_tau_h[1:]]),
    )


def _said(finding: Finding) -> Said:
    return Said(
        at_h=_hour(finding.raised_at_s),
        cleared_h=None if finding.cleared_at_s is None else _hour(finding.cleared_at_s),
        opinions=tuple(
            (_hour(opinion.at_s), tuple(((c.kind, c.subject), c.probability) for c in opinion.candidates))
            for opinion in finding.history
        ),
    )


def _foretold(forecast: Forecast) -> Foretold:
    return Foretold(
        run=forecast.run,
        made_h=_hour(forecast.made_at_s),
        at_h=_hour(forecast.below_target_at_s),
        low_h=_hour(forecast.low_s),
        high_h=_hour(forecast.high_s),
    )


def _asked(oracle: Oracle, scenario: Scenario, findings: tuple[Said, ...]) -> Asked:
    """Its naming at our alarm and later; where we found nothing, at its own."""
    ours = next((said.at_h for said in findings if said.at_h >= oracle.onset_h), None)
    its_own = oracle.onset_h + (oracle.found_h or scenario.frame.hours)
    at_h = max(int(its_own if ours is None else ours) - 1, oracle.onset_h)  # the last hour that was over at the alarm
    return Asked(
        bound_h=None if scenario.kind in UNBOUNDED else oracle.bound_h,
        found_h=oracle.found_h,
        named=tuple(oracle.named(at_h + look_h) for look_h in LOOKS_H),
        least=_least(oracle, scenario),
    )


def _least(oracle: Oracle, scenario: Scenario) -> dict[tuple[str, int], Least]:
    """The best forecasts of what a growing fault makes cross."""
    if scenario.kind not in GROWING:
        return {}
    asked = {
        (run, lead_h): least_error(
            oracle.whitener,
            scenario.truth.change,
            onset_h=oracle.onset_h,
            crossed_h=hour + 1.0 - DAY_MEAN_LAG_H,
            at_h=hour + 1 - lead_h,
        )
        for run, hour in scenario.truth.crossed_h.items()
        for lead_h in LEADS_H
    }
    return {key: least for key, least in asked.items() if least is not None}


def _hour(at_s: float) -> float:
    return (at_s - START_S) / HOUR_S

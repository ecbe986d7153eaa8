"""Planning a step of the pump's speed: what it should show, what it may do to the branches, and what it would decide."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from analysis.assessment import FaultKind, Isolability, SupplyPart
from analysis.baseline import Baseline
from analysis.factors import LITRES_PER_M3
from analysis.frames import Floats
from analysis.isolability import EXAMPLE_LOSS
from analysis.speed_step import BESIDE_S, MINUTE_S, Counts, SpeedStep, noise_of_counts
from analysis.step_causes import (
    Cause,
    Found,
    StepForecast,
    covariance_against,
    covariance_of,
    forecast_step,
)
from analysis.step_reading import DECIDES, LEAST_KEPT, POSSIBLE, SPEAKS, MadeStep
from config.plant import Meter, Plant

SHARES = (0.9, 0.8, 0.7, 0.6)  # of the speed now: what is tried where the keeper names none
# Below this share of its flow a branch is called starved. Common practice, no source.
STARVED = 0.3
SUPPLY_LOSS = 0.1
LATE_H = 72.0
COUNTED = 0.05  # a cause at least this likely is thought of when a branch is looked at


class RunState(StrEnum):
    """What a step does to a run, at worst."""

    BACKWARD = "runs backward"
    STILL = "stands still"
    STARVED = "starved"
    BELOW = "below its target"
    FINE = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunInStep:
    """One run in a step.

    Attributes:
        meter: on the run; None without one.
        before_m3s, during_m3s: flow as commissioned; a meter's run by what its meter shows.
        state: what the step does to it at worst, whichever of the causes holds.
        least_share: flow during over flow before then; negative where it runs backward.
    """

    run: str
    meter: str | None
    before_m3s: float
    during_m3s: float
    state: RunState
    least_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PairOdds:
    """Two causes, and the odds that the step gives between them, on average, whichever holds."""

    first: Cause
    second: Cause
    odds: float

    @property
    def decided(self) -> bool:
        """Whether that is enough to decide."""
        return self.odds >= DECIDES

    @property
    def hopeless(self) -> bool:
        """Whether the two cannot be told apart by this step."""
        return self.odds < SPEAKS


@dataclass(frozen=True, slots=True, kw_only=True)
class StepOption:
    """One step that could be made.

    Attributes:
        named: probability that the true cause would have after the step, on average. safe: no branch is stopped,
            starved or run backward by it, whichever of the causes holds.
    """

    speed: float
    runs: tuple[RunInStep, ...]
    pairs: tuple[PairOdds, ...]
    named: float
    safe: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPlan:
    """Steps that could be made from the speed now.

    Attributes:
        finding: id of the finding that it is for; None without one.
        named_now: probability that the true cause has now, on average.
        options: by speed, the highest first. best: which of them decides most without harm; None if none is both.
        reference: an equal step of the healthy plant is there to compare with, for these speeds.
    """

    finding: str | None
    speed: float
    minutes: float
    causes: tuple[Cause, ...]
    named_now: float
    options: tuple[StepOption, ...]
    best: int | None
    reference: tuple[float, ...]


def example_groups(plant: Plant, pairs: Sequence[Isolability]) -> tuple[tuple[Cause, ...], ...]:
    """Without a finding: groups of causes that the readings of one speed tell apart late or never."""
    supply = tuple(
        Cause(kind=FaultKind.SUPPLY, subject=None, part=part, size=float(np.log1p(-SUPPLY_LOSS)), probability=1 / 3)
        for part in SupplyPart
    )
    late = {(pair.first, pair.second) for pair in pairs if pair.hours is None or pair.hours > LATE_H}
    groups = [supply]
    for run in plant.branches:
        names = (f"{FaultKind.RESTRICTION.value}:{run.name}", f"{FaultKind.METER.value}:{run.meter}")
        if run.meter is not None and (names in late or names[::-1] in late):
            size = float(np.log1p(-EXAMPLE_LOSS))
            groups.append(
                (
                    Cause(kind=FaultKind.RESTRICTION, subject=run.name, size=size, probability=0.5),
                    Cause(kind=FaultKind.METER, subject=run.meter, size=size, probability=0.5),
                )
            )
    return tuple(groups)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a plan is for.

    Attributes:
        finding: id of a finding; None without one.
        groups: causes that are to be told apart, each group among itself.
        speed: that the pump is set to now. to: speeds to try, fractions. seconds: how long.
        references: steps of the healthy plant.
    """

    finding: str | None
    groups: tuple[tuple[Cause, ...], ...]
    speed: float
    to: tuple[float, ...]
    seconds: float
    references: tuple[MadeStep, ...]


@dataclass(frozen=True, slots=True)
class _Ground:
    """What every step of a plan is worked out from."""

    plant: Plant
    found: Found
    baseline: Baseline
    wanted: Wanted


def plan_steps(plant: Plant, found: Found, baseline: Baseline, wanted: Wanted) -> StepPlan:
    """What each step would show, harm and decide.

    Args:
        plant: for targets and meters' resolution.
        found: the plant as commissioned.
        baseline: the same, for flows and noise.
        wanted: what the plan is for.
    """
    kept = tuple(
        tuple(cause for cause in group if cause.probability >= POSSIBLE) or group[:1] for group in wanted.groups
    )
    ground = _Ground(plant, found, baseline, wanted)
    options = tuple(_option(ground, kept, to) for to in sorted(wanted.to, reverse=True))
    safe = [place for place, option in enumerate(options) if option.safe]
    now = [sum(cause.probability**2 for cause in group) / _whole(group) ** 2 for group in kept]
    return StepPlan(
        finding=wanted.finding,
        speed=wanted.speed,
        minutes=wanted.seconds / MINUTE_S,
        causes=tuple(cause for group in kept for cause in group),
        named_now=float(np.mean(now)),
        options=options,
        best=max(safe, key=lambda place: options[place].named, default=None),
        reference=tuple(option.speed for option in options if _reference(wanted, option.speed) is not None),
    )


def _whole(group: Sequence[Cause]) -> float:
    return sum(cause.probability for cause in group)


def _reference(wanted: Wanted, to: float) -> MadeStep | None:
    return next((made for made in wanted.references if made.step.is_like(wanted.speed, to)), None)


def _option(ground: _Ground, groups: Sequence[Sequence[Cause]], to: float) -> StepOption:
    found, wanted, noise_model = ground.found, ground.wanted, ground.baseline.meter_noise
    healthy = forecast_step(found, None, before=wanted.speed, during=to)
    told = [[forecast_step(found, cause, before=wanted.speed, during=to) for cause in group] for group in groups]
    likely = [
        forecast
        for group, forecasts in zip(groups, told, strict=True)
        for cause, forecast in zip(group, forecasts, strict=True)
        if wanted.finding is not None and cause.probability >= COUNTED
    ]
    runs = _runs(ground, [healthy, *likely])
    reference = _reference(wanted, to)
    noise = _noise(ground, healthy, to)
    if reference is not None:
        noise = noise + noise_of_counts(noise_model, reference.step, reference.counts)
    pairs: list[PairOdds] = []
    named = []
    for group, forecasts in zip(groups, told, strict=True):
        distance = _distances(found, forecasts, noise, None if reference is None else healthy)
        pairs += [
            PairOdds(first=group[one], second=group[two], odds=float(np.exp(min(0.5 * distance[one, two], 50.0))))
            for one in range(len(group))
            for two in range(one + 1, len(group))
        ]
        named.append(_named(np.array([cause.probability for cause in group]), distance))
    unsafe = {RunState.BACKWARD, RunState.STILL, RunState.STARVED}
    return StepOption(
        speed=to,
        runs=runs,
        pairs=tuple(pairs),
        named=float(np.mean(named)),
        safe=not any(run.state in unsafe for run in runs),
    )


def _named(prior: Floats, distance: Floats) -> float:
    """Probability of the true cause afterwards: what is read is taken to be what that cause makes it."""
    prior = prior / prior.sum()
    weight = prior * np.exp(-0.5 * distance)
    return float(np.sum(prior * np.diag(weight) / weight.sum(axis=1)))


def _distances(found: Found, forecasts: Sequence[StepForecast], noise: Floats, healthy: StepForecast | None) -> Floats:
    """[H, H] squared distances between what causes should show, in standard deviations of what is not known."""
    count = len(forecasts)
    apart = np.zeros((count, count))
    unknown = [
        covariance_of(forecast) if healthy is None else covariance_against(forecast, healthy) for forecast in forecasts
    ]
    kept = np.array([forecast.share[list(found.column)] >= LEAST_KEPT for forecast in forecasts])
    for one in range(count):
        for two in range(one + 1, count):
            used = kept[one] & kept[two] & np.isfinite(np.diag(noise))
            some = np.ix_(used, used)
            covariance = (0.5 * (unknown[one] + unknown[two]) + noise)[some]
            left = (forecasts[one].log_ratio - forecasts[two].log_ratio)[used]
            apart[one, two] = apart[two, one] = float(left @ np.linalg.solve(covariance, left))
    return apart


def _noise(ground: _Ground, healthy: StepForecast, to: float) -> Floats:
    """[M, M] of the meters in such a step: as wander, time and pulses let them see it."""
    wanted, found, baseline = ground.wanted, ground.found, ground.baseline
    begin_s, end_s = 0.0, wanted.seconds
    step = SpeedStep(
        begin_s=begin_s, end_s=end_s, before=wanted.speed, during=to, from_s=-2 * BESIDE_S, to_s=end_s + 3 * BESIDE_S
    )
    lengths = np.array([end - start for start, end in step.windows_s])
    now = _shown_m3s(found, baseline, wanted.speed)
    flow = np.stack([now, now * np.exp(healthy.log_ratio), now])
    factors = np.array(
        [
            np.interp(flow[0, place], *np.array(meter.k_points, dtype=float).T)
            for place, meter in enumerate(_meters(ground.plant, found))
        ]
    )
    pulses = flow * factors * LITRES_PER_M3 * lengths[:, None]
    seconds = np.tile(lengths[:, None], (1, pulses.shape[1]))
    return noise_of_counts(baseline.meter_noise, step, Counts(pulses=pulses, seconds=seconds, flow_m3s=flow))


def _meters(plant: Plant, found: Found) -> list[Meter]:
    by_name = {meter.name: meter for meter in plant.meters}
    return [by_name[name] for name in found.meters]


def _shown_m3s(found: Found, baseline: Baseline, speed: float) -> Floats:
    """[M] what the meters show at a speed, as commissioned."""
    if speed == baseline.speed:
        return baseline.flow_m3s
    return baseline.flow_m3s * np.exp(forecast_step(found, None, before=baseline.speed, during=speed).log_ratio)


def _runs(ground: _Ground, forecasts: Sequence[StepForecast]) -> tuple[RunInStep, ...]:
    found = ground.found
    healthy = forecasts[0]
    shares = np.array([forecast.share for forecast in forecasts])
    shown = dict(zip(found.meters, _shown_m3s(found, ground.baseline, ground.wanted.speed), strict=True))
    rows = []
    for place, run in enumerate(ground.plant.runs):
        before = float(shown.get(run.meter or "", healthy.before_m3s[place]))
        during = before * float(healthy.share[place])
        least = float(shares[:, place].min())
        low = run.target.low_m3s if run.target is not None else None
        rows.append(
            RunInStep(
                run=run.name,
                meter=run.meter,
                before_m3s=before,
                during_m3s=during,
                state=_state(
                    least,
                    moved=bool(healthy.before_m3s[place] > 0),
                    below=low is not None and before * least < low,
                ),
                least_share=least,
            )
        )
    return tuple(rows)


def _state(share: float, *, moved: bool, below: bool) -> RunState:
    if not moved:
        return RunState.FINE
    if share < 0:
        return RunState.BACKWARD
    if share == 0:
        return RunState.STILL
    if share < STARVED:
        return RunState.STARVED
    return RunState.BELOW if below else RunState.FINE

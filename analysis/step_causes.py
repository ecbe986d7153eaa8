"""What a step of the pump's speed should show under each possible cause of a finding, from the commissioned network.

At one speed a worn impeller, a blocked intake or trunk and a lower speed do the same to every flow. At another they do
not: what an obstacle costs falls with the square of the flow, what an impeller lacks stays a share of the head
(affinity laws), and the static lift of the outlets stays as it is.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.assessment import Candidate, FaultKind, SupplyPart
from analysis.frames import Floats
from analysis.hydraulics.network import Conditions, Network, Solution, solve
from analysis.hydraulics.pump import PumpCurve, pump_head
from analysis.signatures import LEAST_SHARE, AsCommissioned
from analysis.wording import NO_GAUGES, Gauges
from config.plant import GaugeKind

# How well what is told apart is known; logs. Common practice, no source.
SPEED_LOG_SD = 0.005  # a controller's setting against the speed that it gives
SUMP_RISE_SD_M = 0.01  # what the sump gains while less water is on its way
SIZE_SHARE = 0.10  # how far a fault's size may be off
MODEL_SHARE = 0.02  # of the change that the network tells: outlet heights, the curve's shape
SLIP_SHARE = 0.05  # how much more a fouled meter may lose, as a share of the change of flow
# A worn impeller may lack head alone (0) or head and flow as a slower one does (1), or anything between: a
# standard deviation is as far as from WEAR to 1. Common practice, no source.
WEAR = 0.5
REPEAT_LOG_SD = 0.002  # the same setting of the same controller, another time

_FACTORS = np.geomspace(1e-2, 1e5, 33)
_HEADS = np.geomspace(0.1, 1.6, 25)
_SPEEDS = np.geomspace(0.3, 1.4, 25)
_FINE = 17


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One thing that may be wrong, and how likely it was before the step.

    Attributes:
        subject: run or meter; None for the supply. part: of the supply; None for all else.
        size: log change of the run's flow, of the pump's total, or of the meter's reading.
        gauge: what the subject reads, if it is a gauge rather than a meter.
    """

    kind: FaultKind
    subject: str | None
    part: SupplyPart | None = None
    size: float
    probability: float
    gauge: GaugeKind | None = None

    @property
    def name(self) -> str:
        """Distinct name."""
        return f"{self.kind.value}:{self.part or self.subject}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The plant as commissioned: its network, how it runs, what is not known of its head, the runs [M] of its meters."""

    network: Network
    state: AsCommissioned
    head_log_sd: float
    meters: tuple[str, ...]
    column: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepForecast:
    """What a step from one speed to another should show.

    Attributes:
        before_m3s, during_m3s: [R] flow of every run; negative where water runs backward.
        log_ratio: [M] log of what each meter sees during over before, no lower than LEAST_SHARE.
        unknowns: [N, M] how a standard deviation of each thing that is not known would move log_ratio: speed, sump,
            the fault's size, the commissioned head, how an impeller wears.
        slip_sd: [M] what the meter's own fault may add.
    """

    before_m3s: Floats
    during_m3s: Floats
    log_ratio: Floats
    unknowns: Floats
    slip_sd: Floats

    @property
    def share(self) -> Floats:
        """[R] flow during over flow before; 0 where nothing flowed before."""
        moves = self.before_m3s > 0
        return np.where(moves, self.during_m3s / np.where(moves, self.before_m3s, 1.0), 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ThrottledCurve:
    """A pump's curve behind an obstacle in its intake: H1(Q) - k Q^2, k in s2/m5. Affinity laws hold for it, too."""

    curve: PumpCurve
    obstacle_s2_m5: float

    def at(self, flow_m3s: Floats) -> tuple[Floats, Floats]:
        """Head, m, and its slope, s/m2, of [...] flows >= 0, m3/s.

        Args:
            flow_m3s: [...] m3/s.
        """
        head, slope = self.curve.at(flow_m3s)
        return head - self.obstacle_s2_m5 * flow_m3s**2, slope - 2.0 * self.obstacle_s2_m5 * flow_m3s

    @property
    def shut_off_m(self) -> float:
        """Head at no flow, m."""
        return self.curve.shut_off_m

    @property
    def widest_m3s(self) -> float:
        """Flow at which the head is used up, m3/s; the curve's own where the obstacle is less than none."""
        flow = np.linspace(0.0, self.curve.widest_m3s, 2000)
        left = self.at(flow)[0]
        return float(flow[np.flatnonzero(left >= 0)[-1]]) if (left >= 0).any() else self.curve.widest_m3s


@dataclass(frozen=True, slots=True)
class _Runs:
    """How the plant runs with a fault: a network, factors on resistance [R], on the pump's head, flow and speed."""

    network: Network
    resistance: Floats
    head_factor: float
    flow_factor: float = 1.0
    speed_factor: float = 1.0

    def at(self, speed: Floats, sump_rise_m: Floats | float = 0.0) -> Solution:
        """Solved at [B] speeds that were set."""
        return solve(
            self.network,
            Conditions(
                speed=speed * self.speed_factor,
                sump_rise_m=sump_rise_m,
                resistance=self.resistance,
                head_factor=self.head_factor,
                flow_factor=self.flow_factor,
            ),
        )


def causes_of(candidates: Sequence[Candidate], gauges: Gauges = NO_GAUGES) -> tuple[Cause, ...]:
    """A finding's candidates, with the supply taken apart; `gauges` are the plant's, by what they read.

    Where the pump's power told nothing of its parts they are as likely as one another: nothing in the flows of one
    speed speaks for any (common practice, no source).
    """
    causes: list[Cause] = []
    for candidate in candidates:
        size = float(np.log(max(1.0 + candidate.flow_change_percent / 100.0, LEAST_SHARE)))
        parts: tuple[SupplyPart | None, ...] = (None,)
        if candidate.kind is FaultKind.SUPPLY and candidate.part is not None:
            parts = (candidate.part,)
        elif candidate.kind is FaultKind.SUPPLY:
            # no impeller gets better by itself
            parts = tuple(SupplyPart) if size < 0 else (SupplyPart.INTAKE, SupplyPart.SPEED)
        causes += [
            Cause(
                kind=candidate.kind,
                subject=candidate.subject,
                part=part,
                size=size,
                probability=candidate.probability / len(parts),
                gauge=gauges.get(candidate.subject or ""),
            )
            for part in parts
        ]
    whole = sum(cause.probability for cause in causes)
    return tuple(replace(cause, probability=cause.probability / whole) for cause in causes)


def forecast_step(found: Found, cause: Cause | None, *, before: float, during: float) -> StepForecast:
    """What the meters should show of a step.

    Args:
        found: the plant as commissioned.
        cause: what is wrong; None for nothing.
        before: speed that is set before, fraction of full speed.
        during: and during the step.
    """
    runs = _with_fault(found.network, found.state, cause, before)
    column = np.array(found.column)
    speeds = np.array([before, during, during * np.exp(SPEED_LOG_SD), during])
    rises = np.array([0.0, 0.0, 0.0, SUMP_RISE_SD_M])
    flow = runs.at(speeds, rises).flow_m3s
    ratio = _log_ratios(flow, column)
    other = [ratio[0]] if cause is None else [_ratio_with(found, found.state, _larger(cause), before, during)]
    other.append(_ratio_with(found, _other_head(found), cause, before, during))
    other.append(_ratio_with(found, found.state, _as_slower(cause), before, during))
    unknowns = np.array([ratio[1] - ratio[0], ratio[2] - ratio[0], *(seen - ratio[0] for seen in other)])
    own = np.array([cause is not None and cause.subject == meter for meter in found.meters])
    return StepForecast(
        before_m3s=flow[0],
        during_m3s=flow[1],
        log_ratio=ratio[0],
        unknowns=unknowns,
        slip_sd=np.where(own, SLIP_SHARE * np.abs(ratio[0]), 0.0),
    )


def covariance_of(forecast: StepForecast) -> Floats:
    """[M, M] of what is not known of a forecast, but for the meters' noise."""
    own = (MODEL_SHARE * forecast.log_ratio) ** 2 + forecast.slip_sd**2
    total: Floats = np.diag(own) + forecast.unknowns.T @ forecast.unknowns
    return total


def covariance_against(forecast: StepForecast, healthy: StepForecast) -> Floats:
    """[M, M] the same where what is read is the difference to an equal step of the healthy plant.

    What both have in common falls out: the curve's shape, heights, the commissioned head, the setting but for its
    repeatability.
    """
    apart = forecast.unknowns - healthy.unknowns
    speed = (forecast.unknowns[0] ** 2 + healthy.unknowns[0] ** 2) * 0.5
    repeat = np.sqrt(2.0 * speed) * REPEAT_LOG_SD / SPEED_LOG_SD * np.sign(forecast.unknowns[0])
    sump = np.stack([forecast.unknowns[1], healthy.unknowns[1]])
    columns = np.vstack([apart[:1], repeat[None], sump, apart[2:]])
    own = (MODEL_SHARE * (forecast.log_ratio - healthy.log_ratio)) ** 2 + forecast.slip_sd**2
    total: Floats = np.diag(own) + columns.T @ columns
    return total


def _log_ratios(flow_m3s: Floats, column: np.ndarray) -> Floats:
    """[B - 1, M] log of each later case's flow over the first one's; a meter counts water whichever way it runs."""
    seen = np.abs(flow_m3s[:, column])
    base = np.maximum(seen[0], 1e-12)
    ratios: Floats = np.log(np.maximum(seen[1:] / base, LEAST_SHARE))
    return ratios


def _ratio_with(found: Found, state: AsCommissioned, cause: Cause | None, before: float, during: float) -> Floats:
    runs = _with_fault(found.network, state, cause, before)
    ratio: Floats = _log_ratios(runs.at(np.array([before, during])).flow_m3s, np.array(found.column))[0]
    return ratio


def _larger(cause: Cause) -> Cause:
    return replace(cause, size=cause.size * (1.0 + SIZE_SHARE))


def _as_slower(cause: Cause | None) -> Cause | None:
    """An impeller that wears as if it ran slower, which is a standard deviation from what is thought of it."""
    return replace(cause, part=SupplyPart.SPEED) if cause and cause.part is SupplyPart.IMPELLER else cause


def _other_head(found: Found) -> AsCommissioned:
    """Another state that gives the very same flows: the pump stronger by a standard deviation, the branches closer."""
    network, state = found.network, found.state
    as_is = _Runs(network, state.resistance, state.head_factor).at(np.array([state.speed]))
    more_m = np.expm1(found.head_log_sd) * as_is.pump_head_m[0]
    left_m = as_is.head_m[0][network.start] - network.outlet_m
    branch = (network.end < 0) & (left_m > 0)
    factor = np.where(branch, (left_m + more_m) / np.where(branch, left_m, 1.0), 1.0)
    return AsCommissioned(
        resistance=state.resistance * factor,
        head_factor=state.head_factor * float(np.exp(found.head_log_sd)),
        speed=state.speed,
    )


def _with_fault(network: Network, state: AsCommissioned, cause: Cause | None, speed: float) -> _Runs:
    """The plant with a fault of a size that it has at a speed."""
    healthy = _Runs(network, state.resistance, state.head_factor)
    if cause is None or cause.kind is FaultKind.METER:
        return healthy
    if cause.kind is FaultKind.SUPPLY:
        return _weaker(healthy, cause, speed)
    place = network.run_index(str(cause.subject))
    base = healthy.at(np.array([speed])).flow_m3s[0, place]

    def changes(factors: Floats) -> Floats:
        resistance = np.tile(state.resistance, (len(factors), 1))
        resistance[:, place] *= factors
        flow = solve(network, Conditions(speed=speed, head_factor=state.head_factor, resistance=resistance)).flow_m3s
        return _logs(flow[:, place], base)

    resistance = state.resistance.copy()
    resistance[place] *= _value_for(changes, cause.size, _FACTORS)
    return replace(healthy, resistance=resistance)


def _weaker(healthy: _Runs, cause: Cause, speed: float) -> _Runs:
    """The plant with a supply that gives so much less in all."""
    network = healthy.network
    base = healthy.at(np.array([speed])).pump_flow_m3s[0]

    def by_head(factors: Floats) -> Floats:
        conditions = Conditions(
            speed=speed,
            head_factor=healthy.head_factor * factors,
            flow_factor=factors ** (0.5 * WEAR),
            resistance=healthy.resistance,
        )
        return _logs(solve(network, conditions).pump_flow_m3s, base)

    def by_speed(factors: Floats) -> Floats:
        return _logs(healthy.at(speed * factors).pump_flow_m3s, base)

    if cause.part is SupplyPart.SPEED:
        return replace(healthy, speed_factor=_value_for(by_speed, cause.size, _SPEEDS))
    wear = _value_for(by_head, cause.size, _HEADS)
    worn = replace(healthy, head_factor=healthy.head_factor * wear, flow_factor=wear ** (0.5 * WEAR))
    if cause.part is SupplyPart.IMPELLER:
        return worn
    # The same flows by an obstacle: it must cost what the worn impeller lacks at this flow.
    there = worn.at(np.array([speed]))
    flow, head_m = there.pump_flow_m3s, there.pump_head_m
    whole_m = pump_head(network.pump, flow, speed=speed, head_factor=healthy.head_factor)[0]
    obstacle = float((whole_m - head_m)[0] / max(float(flow[0]), 1e-9) ** 2)
    curve = ThrottledCurve(curve=network.pump, obstacle_s2_m5=obstacle / healthy.head_factor)
    return replace(healthy, network=replace(network, pump=curve))


def _logs(flow: Floats, base: float) -> Floats:
    logs: Floats = np.log(np.maximum(flow / max(base, 1e-12), LEAST_SHARE))
    return logs


def _value_for(change_of: Callable[[Floats], Floats], wanted: float, grid: Floats) -> float:
    """The value at which a monotone change is as wanted: a look along a grid, then a closer one beside what it gave."""
    rough = _interpolated(change_of, wanted, grid)
    width = float(np.log(grid[1] / grid[0]))
    fine = np.exp(np.linspace(rough - width, rough + width, _FINE))
    return float(np.exp(_interpolated(change_of, wanted, fine)))


def _interpolated(change_of: Callable[[Floats], Floats], wanted: float, grid: Floats) -> float:
    """Log of the value on a grid."""
    change = change_of(grid)
    order = np.argsort(change, kind="stable")
    return float(np.interp(wanted, change[order], np.log(grid)[order]))

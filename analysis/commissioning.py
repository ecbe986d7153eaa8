"""Commissioning: what the plant, as it was built, does on healthy days.

Two things are learned. What every meter shows, and how it wanders: the yardstick of all that comes later. And how the
network runs: a resistance factor for each branch, one head factor for the pump, a gain for each meter, as the most
probable values given the readings and the published spread of catalogue figures. What the meters do not determine
keeps its prior, and says so by its standard deviation.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.calibration import LITRES_PER_M3
from analysis.detection.learning import learn_noise
from analysis.detection.noise import NoiseModel
from analysis.events import Event
from analysis.factors import factors_at
from analysis.fitted import FigureKind, FittedFigure, fitted_figures
from analysis.frames import HOUR_S, Floats, HourFrame
from analysis.gauges import GAUGE_LOG_SD, Columns, columns_of, head_of, usable_shown, usual_wander
from analysis.hydraulics.network import Conditions, Network, compile_network, solve
from analysis.hydraulics.pump_power import rated_power
from analysis.signatures import COMMON_SD, LEAST_SHARE, AsCommissioned, signatures_of, usual_noise
from config.errors import InputMissing
from config.plant import GaugeKind, Meter, Plant

# Spread (log) of catalogue figures against plants as built: minor losses between handbooks, pump curves by their
# acceptance tolerance (ISO 9906 for small pumps, +-8 % head, from memory), uncalibrated meters.
RESISTANCE_LOG_SD = 0.30
HEAD_LOG_SD = 0.08
GAIN_LOG_SD = 0.03
READING_LOG_SD = 0.005
LEAST_HOURS = 48
LEAST_SECONDS = 600.0
NEWTON_STEPS = 12
PROBE = 1e-4
OUTSIDE_SDS = 2.0
STILL = 1e-6
DETERMINED_SHARE = 0.8
_MORE_LOSS = (
    "Likely reasons: its valve is nearer shut than the plant file says, a pipe or barb of it is narrower, or its "
    "meter's K-factor is too high, so that it reads low. Or it was fouled already."
)
_LESS_LOSS = (
    "Likely reasons: its valve is further open than the plant file says, a pipe of it is wider, or its meter's "
    "K-factor is too low, so that it reads high. Or a device costs less than its figure."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedBranch:
    """One branch as commissioned: factor on the catalogue's resistance with its standard deviation (log)."""

    run: str
    resistance_factor: float
    log_sd: float
    determined: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedGauge:
    """One gauge as commissioned: what it usually shows, Pa or W, and that over what the plant file makes it.

    `gain` is 1 where the plant file says nothing of the pump's power.
    """

    name: str
    shown: float
    gain: float
    reads: GaugeKind = GaugeKind.PRESSURE


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A gauge with too few readings in the healthy days to judge by: how many hours it had."""

    name: str
    hours: int
    reads: GaugeKind = GaugeKind.PRESSURE


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """The plant as commissioned.

    Attributes:
        from_s, to_s: the healthy days, UTC epoch seconds.
        meters: M names. flow_m3s: [M] their median flow, by the K-factors in force then. usual_hz: [M] the pulses a second
            that this was; None in a baseline of an earlier version.
        branches: fitted factors. head_factor, head_log_sd: the pump's. speed: its speed then, fraction.
        gain: [M] reading over true flow, as far as the network tells.
        noise: how healthy readings wander, of the meters and then of the gauges.
        figures: every fitted figure with what the meters tell of it; none in a baseline of an earlier version.
        gauges: those that take part. left_out: those that do not.
    """

    from_s: int
    to_s: int
    meters: tuple[str, ...]
    flow_m3s: Floats
    branches: tuple[FittedBranch, ...]
    head_factor: float
    head_log_sd: float
    speed: float
    gain: Floats
    noise: NoiseModel
    figures: tuple[FittedFigure, ...] = ()
    gauges: tuple[FittedGauge, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    usual_hz: Floats | None = None

    @property
    def gauge_names(self) -> tuple[str, ...]:
        """Names of the gauges that take part, in the order of their columns."""
        return tuple(gauge.name for gauge in self.gauges)

    @property
    def readings(self) -> tuple[str, ...]:
        """Names of all columns: the meters, then the gauges."""
        return (*self.meters, *self.gauge_names)

    def pulses_hz(self, meters: Sequence[Meter], events: Sequence[Event] = ()) -> Floats:
        """[M] pulses a second as commissioned; one of an earlier version did not keep them, but they follow from the journal."""
        if self.usual_hz is not None:
            return self.usual_hz
        by_name = {meter.name: meter for meter in meters}
        points = [np.array(factors_at(by_name[name], events, self.to_s)).T for name in self.meters]
        factors = [np.interp(flow, *table) for flow, table in zip(self.flow_m3s, points, strict=True)]
        rates: Floats = LITRES_PER_M3 * self.flow_m3s * np.array(factors)
        return rates

    @property
    def meter_noise(self) -> NoiseModel:
        """How the meters alone wander."""
        return self.noise.of_first(len(self.meters))

    def state(self, network: Network) -> AsCommissioned:
        """How the network runs as commissioned."""
        factors = {branch.run: branch.resistance_factor for branch in self.branches}
        return AsCommissioned(
            resistance=np.array([factors.get(run, 1.0) for run in network.runs]),
            head_factor=self.head_factor,
            speed=self.speed,
        )

    def warnings(self) -> tuple[str, ...]:
        """What does not look like the plant file: factors outside the published spread, and likely reasons."""
        outside = OUTSIDE_SDS * RESISTANCE_LOG_SD
        odd = [
            f"{branch.run}: its losses are {branch.resistance_factor:.2g} times the plant file's, more than published "
            f"figures differ. {_MORE_LOSS if branch.resistance_factor > 1 else _LESS_LOSS}"
            for branch in self.branches
            if branch.determined and abs(np.log(branch.resistance_factor)) > outside
        ]
        odd += [
            f"{meter}: it reads {gain:.2f} times what the rest of the plant says flows there. Its K-factor may be "
            f"{'low' if gain > 1 else 'high'}, or it is dirty: calibrate it."
            for meter, gain in zip(self.meters, self.gain, strict=True)
            if abs(np.log(gain)) > OUTSIDE_SDS * GAIN_LOG_SD
        ]
        odd += [
            _wrong_gauge(gauge)
            for gauge in self.gauges
            if abs(np.log(gauge.gain)) > OUTSIDE_SDS * GAUGE_LOG_SD[gauge.reads]
        ]
        odd += [
            f"{gauge.name}: {gauge.hours} hours with a {gauge.reads} in the healthy days are too few, {LEAST_HOURS} are needed: "
            "it takes no part in the diagnosis. Load its readings and commission again."
            for gauge in self.left_out
        ]
        if abs(np.log(self.head_factor)) > OUTSIDE_SDS * HEAD_LOG_SD:
            odd.append(
                f"pump: its head is {self.head_factor:.2f} times the curve's. "
                "The curve, the speed or the heights of the outlets in the plant file may be wrong, or the pump is worn."
            )
        return tuple(odd)


def _wrong_gauge(gauge: FittedGauge) -> str:
    """What may be wrong with a gauge that is far from what the plant file makes it."""
    if gauge.reads is GaugeKind.POWER:
        return (
            f"{gauge.name}: it shows {gauge.gain:.2f} times the power that the plant file's figures give at this flow. "
            "The figures, the speed or the gauge's unit may be wrong, or it reads more than the pump alone."
        )
    return (
        f"{gauge.name}: it shows {gauge.gain:.2f} times the pressure that the rest of the plant says is there. Its "
        "unit, its height in the plant file or its zero may be wrong."
    )


def usable_flow(frame: HourFrame, flow_m3s: Floats) -> Floats:
    """[T, M] flow where an hour holds enough of it to count, else nan."""
    return np.where(frame.seconds >= LEAST_SECONDS, flow_m3s, np.nan)


def commission(plant: Plant, frame: HourFrame, flow_m3s: Floats, *, speed: float) -> Baseline:
    """Learn a baseline.

    Args:
        plant: as built.
        frame: healthy hours of meters that sit on runs, and of gauges.
        flow_m3s: [T, M] their flow.
        speed: of the pump in these hours, fraction.

    Raises:
        InputMissing: too few hours of a meter.
    """
    flow = usable_flow(frame, flow_m3s)
    counted = np.sum(np.isfinite(flow), axis=0)
    short = [meter for meter, hours in zip(frame.meters, counted, strict=True) if hours < LEAST_HOURS]
    if short or not frame.meters:
        raise InputMissing(
            f"commissioning needs {LEAST_HOURS} healthy hours of every meter; too few of: {', '.join(short) or 'all'}. "
            "Load more readings, give a longer time with --from and --to, or take a meter that is out of use from its run"
        )
    usual = np.nanmedian(flow, axis=0)
    dead = [meter for meter, value in zip(frame.meters, usual, strict=True) if not value > 0]
    if dead:
        raise InputMissing(f"no flow in the healthy days on: {', '.join(dead)}. Mend the meter or its branch first")
    network = compile_network(plant)
    gauges, left_out = _gauges(plant, frame)
    shown = usable_shown(frame, gauges)
    usual_shown = np.nanmedian(shown, axis=0)
    kinds = plant.gauge_kinds
    of_pressure = tuple(name for name in gauges if kinds[name] is GaugeKind.PRESSURE)
    head_m = head_of(plant, usual_shown[[kinds[name] is GaugeKind.PRESSURE for name in gauges]])
    columns = columns_of(plant, network, frame.meters, of_pressure)
    fit = _fit(plant, network, _Healthy(frame.meters, of_pressure, usual, head_m, columns), speed)
    branches = tuple(
        FittedBranch(
            run=run.name,
            resistance_factor=float(np.exp(fit.middle[index])),
            log_sd=float(fit.sd[index]),
            determined=bool(fit.sd[index] < DETERMINED_SHARE * RESISTANCE_LOG_SD),
        )
        for index, run in enumerate(plant.branches)
    )
    count = len(branches)
    gain = fit.middle[count + 1 :]
    gains = dict(zip(of_pressure, np.exp(gain[len(frame.meters) :]).tolist(), strict=True))
    wander = usual_wander(plant, gauges)
    found = Baseline(
        from_s=frame.start_s,
        to_s=frame.end_s,
        meters=frame.meters,
        flow_m3s=usual,
        usual_hz=np.nanmedian(np.where(np.isfinite(flow), frame.rate, np.nan), axis=0),
        branches=branches,
        head_factor=float(np.exp(fit.middle[count])),
        head_log_sd=float(fit.sd[count]),
        speed=speed,
        gain=np.exp(gain[: len(frame.meters)]),
        figures=fit.figures,
        gauges=tuple(
            FittedGauge(name=name, shown=float(value), gain=gains.get(name, 1.0), reads=kinds[name])
            for name, value in zip(gauges, usual_shown, strict=True)
        ),
        left_out=left_out,
        noise=usual_noise(np.zeros((len(columns.run) + len(gauges), len(COMMON_SD))), gauge_wander_sd=wander),
    )
    found = replace(found, gauges=tuple(_against_figures(plant, network, found, gauge) for gauge in found.gauges))
    common = signatures_of(plant, network, found.state(network), frame.meters, gauges).common
    readings = np.concatenate([log_readings(flow, usual), log_readings(shown, usual_shown)], axis=1)
    noise = learn_noise(readings, share_of_readings(frame, gauges), usual_noise(common, gauge_wander_sd=wander))
    return replace(found, noise=noise)


def _against_figures(plant: Plant, network: Network, found: Baseline, gauge: FittedGauge) -> FittedGauge:
    """A gauge of the pump's power beside what the plant file's figures make it at the fitted flow."""
    if gauge.reads is not GaugeKind.POWER or not plant.pump.power:
        return gauge
    state = found.state(network)
    conditions = Conditions(speed=state.speed, head_factor=state.head_factor, resistance=state.resistance)
    passed = solve(network, conditions).pump_flow_m3s[0]
    return replace(gauge, gain=gauge.shown / rated_power(plant.pump.power, float(passed), speed=state.speed))


def _gauges(plant: Plant, frame: HourFrame) -> tuple[tuple[str, ...], tuple[LeftOut, ...]]:
    """The gauges with enough of a pressure to be judged by, and the others."""
    names = plant.gauge_names
    hours = np.sum(usable_shown(frame, names) > 0, axis=0)
    counted = list(zip(names, hours.tolist(), strict=True))
    return (
        tuple(name for name, count in counted if count >= LEAST_HOURS),
        tuple(
            LeftOut(name=name, hours=count, reads=plant.gauge_kinds[name])
            for name, count in counted
            if count < LEAST_HOURS
        ),
    )


def log_readings(value: Floats, usual: Floats) -> Floats:
    """[T, M] log of flow, pressure or power over the commissioned one, no lower than LEAST_SHARE; nan where unknown."""
    return np.log(np.maximum(value / usual, LEAST_SHARE))


def share_of_readings(frame: HourFrame, gauges: tuple[str, ...]) -> Floats:
    """[T, M] share of each hour behind its reading; a gauge's counts as whole, however many values it is made of."""
    return np.concatenate([frame.seconds / HOUR_S, np.ones((frame.hours, len(gauges)))], axis=1)


@dataclass(frozen=True, slots=True)
class _Healthy:
    """What is fitted to: usual flows of meters and heads of pressure gauges, and what their columns are of."""

    meters: tuple[str, ...]
    gauges: tuple[str, ...]
    flow_m3s: Floats
    head_m: Floats
    columns: Columns


@dataclass(frozen=True, slots=True)
class _Fit:
    """Most probable log parameters [branches, head, gains], their standard deviations, and what the meters tell."""

    middle: Floats
    sd: Floats
    figures: tuple[FittedFigure, ...]


def _fit(plant: Plant, network: Network, healthy: _Healthy, speed: float) -> _Fit:
    """Gauss-Newton on log flows and heads with normal priors; derivatives by one batch of solves."""
    branch = np.array([network.runs.index(run.name) for run in plant.branches])
    count = len(branch)
    usual = np.concatenate([healthy.flow_m3s, healthy.head_m])
    gain_sd = [*[GAIN_LOG_SD] * len(healthy.meters), *[GAUGE_LOG_SD[GaugeKind.PRESSURE]] * len(healthy.gauges)]
    prior_sd = np.concatenate([np.full(count, RESISTANCE_LOG_SD), [HEAD_LOG_SD], gain_sd])

    def model(points: Floats) -> Floats:
        resistance = np.ones((len(points), len(network.runs)))
        resistance[:, branch] = np.exp(points[:, :count])
        solution = solve(network, Conditions(resistance=resistance, head_factor=np.exp(points[:, count]), speed=speed))
        shown = np.concatenate([solution.flow_m3s[:, healthy.columns.run], healthy.columns.heads_m(solution)], axis=1)
        logs: Floats = np.log(np.maximum(shown, LEAST_SHARE * usual)) + points[:, count + 1 :]
        return logs

    point = np.zeros(len(prior_sd))
    precision = np.eye(len(point))
    wanted = np.log(usual)
    for _ in range(NEWTON_STEPS):
        values = model(np.concatenate([point[None], point + PROBE * np.eye(len(point))]))
        slope = (values[1:] - values[0]).T / PROBE
        precision = slope.T @ slope / READING_LOG_SD**2 + np.diag(1 / prior_sd**2)
        pull = slope.T @ (wanted - values[0]) / READING_LOG_SD**2 - point / prior_sd**2
        move = np.clip(np.linalg.solve(precision, pull), -0.5, 0.5)
        point = point + move
        if np.max(np.abs(move)) < STILL:
            break
    covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
    names = (
        *((FigureKind.RESISTANCE, run.name) for run in plant.branches),
        (FigureKind.HEAD, ""),
        *((FigureKind.READING, name) for name in (*healthy.meters, *healthy.gauges)),
    )
    return _Fit(point, np.sqrt(np.diag(covariance)), fitted_figures(names, point, covariance, prior_sd))

"""Commissioning: what the plant, as it was built, does on healthy days.

Two things are learned. What every meter shows, and how it wanders: the yardstick of all that comes later. And how the
network runs: a resistance factor for each branch, one head factor for the pump, a gain for each meter, as the most
probable values given the readings and the published spread of catalogue figures. What the meters do not determine
keeps its prior, and says so by its standard deviation.
"""

from dataclasses import dataclass, replace

import numpy as np

from analysis.baseline import (
    GAIN_LOG_SD,
    HEAD_LOG_SD,
    LEAST_HOURS,
    RESISTANCE_LOG_SD,
    Baseline,
    FittedBranch,
    FittedGauge,
    LeftOut,
    MeterLeftOut,
)
from analysis.detection.learning import learn_noise
from analysis.fitted import FigureKind, FittedFigure, fitted_figures
from analysis.frames import HOUR_S, Floats, HourFrame
from analysis.gauges import GAUGE_LOG_SD, Columns, columns_of, head_of, usable_shown, usual_wander
from analysis.hydraulics.network import Conditions, Network, compile_network, solve
from analysis.hydraulics.pump_power import rated_power
from analysis.signatures import COMMON_SD, LEAST_SHARE, signatures_of, usual_noise
from config.errors import InputMissing
from config.plant import GaugeKind, Plant

READING_LOG_SD = 0.005
LEAST_SECONDS = 600.0
NEWTON_STEPS = 12
PROBE = 1e-4
STILL = 1e-6
DETERMINED_SHARE = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """What M meters and G gauges usually show.

    Attributes:
        flow_m3s, pulses_hz: [M]. shown: [G], Pa or W.
    """

    meters: tuple[str, ...]
    flow_m3s: Floats
    pulses_hz: Floats
    gauges: tuple[str, ...]
    shown: Floats


def usable_flow(frame: HourFrame, flow_m3s: Floats) -> Floats:
    """[T, M] flow where an hour holds enough of it to count, else nan."""
    return np.where(frame.seconds >= LEAST_SECONDS, flow_m3s, np.nan)


def commission(plant: Plant, frame: HourFrame, flow_m3s: Floats, *, speed: float) -> Baseline:
    """Learn a baseline of the meters that have enough hours and flow in them; the others are left out, and named.

    Args:
        plant: as built.
        frame: healthy hours of meters that sit on runs, and of gauges.
        flow_m3s: [T, M] their flow.
        speed: of the pump in these hours, fraction.

    Raises:
        InputMissing: there is no such meter.
    """
    whole = usable_flow(frame, flow_m3s)
    able = _able(frame.meters, whole)
    left_out = tuple(
        MeterLeftOut(name=name, hours=hours)
        for name, hours in zip(frame.meters, np.sum(np.isfinite(whole), axis=0).tolist(), strict=True)
        if name not in able
    )
    if not able:
        raise InputMissing(_none_able(left_out))
    flow = whole[:, [frame.meters.index(name) for name in able]]
    frame = frame.of(able)
    gauges, gauges_left_out = _gauges(plant, frame)
    shown = usable_shown(frame, gauges)
    usual = Usual(
        meters=able,
        flow_m3s=np.nanmedian(flow, axis=0),
        pulses_hz=np.nanmedian(np.where(np.isfinite(flow), frame.rate, np.nan), axis=0),
        gauges=gauges,
        shown=np.nanmedian(shown, axis=0),
    )
    found = fit_plant(plant, usual, speed=speed, from_s=frame.start_s, to_s=frame.end_s)
    readings = np.concatenate([log_readings(flow, usual.flow_m3s), log_readings(shown, usual.shown)], axis=1)
    noise = learn_noise(readings, share_of_readings(frame, gauges), found.noise)
    return replace(found, noise=noise, left_out=gauges_left_out, meters_left_out=left_out)


def _able(meters: tuple[str, ...], flow: Floats) -> tuple[str, ...]:
    """The meters that can be commissioned: enough hours, and flow in most of them; `flow` [T, M], nan where unknown."""
    enough = np.sum(np.isfinite(flow), axis=0) >= LEAST_HOURS
    running = np.sum(flow > 0, axis=0) > 0.5 * np.sum(np.isfinite(flow), axis=0)
    return tuple(name for name, able in zip(meters, enough & running, strict=True) if able)


def _none_able(left_out: tuple[MeterLeftOut, ...]) -> str:
    short = [meter.name for meter in left_out if meter.hours < LEAST_HOURS]
    if left_out and not short:
        names = ", ".join(meter.name for meter in left_out)
        return f"no flow in the healthy days on: {names}. Mend the meters or their branches first"
    return (
        f"commissioning needs {LEAST_HOURS} healthy hours of a meter; too few of: {', '.join(short) or 'all'}. "
        "Load more readings, or give a longer time with --from and --to"
    )


def fit_plant(plant: Plant, usual: Usual, *, speed: float, from_s: int, to_s: int) -> Baseline:
    """The plant that makes meters and gauges show what they usually do; its noise is what is usual before any is learned.

    Args:
        plant: as built.
        usual: what meters that sit on runs, and gauges, show.
        speed: of the pump then, fraction.
        from_s: where the healthy days begin, UTC epoch seconds.
        to_s: where they end.
    """
    network = compile_network(plant)
    kinds = plant.gauge_kinds
    of_pressure = tuple(name for name in usual.gauges if kinds[name] is GaugeKind.PRESSURE)
    head_m = head_of(plant, usual.shown[[kinds[name] is GaugeKind.PRESSURE for name in usual.gauges]])
    columns = columns_of(plant, network, usual.meters, of_pressure)
    fit = _fit(plant, network, _Healthy(usual.meters, of_pressure, usual.flow_m3s, head_m, columns), speed)
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
    gains = dict(zip(of_pressure, np.exp(gain[len(usual.meters) :]).tolist(), strict=True))
    wander = usual_wander(plant, usual.gauges)
    found = Baseline(
        from_s=from_s,
        to_s=to_s,
        meters=usual.meters,
        flow_m3s=usual.flow_m3s,
        usual_hz=usual.pulses_hz,
        branches=branches,
        head_factor=float(np.exp(fit.middle[count])),
        head_log_sd=float(fit.sd[count]),
        speed=speed,
        gain=np.exp(gain[: len(usual.meters)]),
        figures=fit.figures,
        gauges=tuple(
            FittedGauge(name=name, shown=float(value), gain=gains.get(name, 1.0), reads=kinds[name])
            for name, value in zip(usual.gauges, usual.shown, strict=True)
        ),
        noise=usual_noise(np.zeros((len(columns.run) + len(usual.gauges), len(COMMON_SD))), gauge_wander_sd=wander),
    )
    found = replace(found, gauges=tuple(_against_figures(plant, network, found, gauge) for gauge in found.gauges))
    common = signatures_of(plant, network, found.state(network), usual.meters, usual.gauges).common
    return replace(found, noise=usual_noise(common, gauge_wander_sd=wander))


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

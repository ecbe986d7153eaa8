"""The plant as commissioned: what its meters and gauges usually show, how they wander, and what fits the plant file to it."""

import shlex
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.detection.noise import NoiseModel
from analysis.events import Event
from analysis.factors import LITRES_PER_M3, factors_at
from analysis.fitted import FittedFigure
from analysis.frames import HOUR_S, Floats, HourFrame
from analysis.gauges import GAUGE_LOG_SD
from analysis.hydraulics.network import Network
from analysis.signatures import AsCommissioned
from config.plant import GaugeKind, Meter

# Spread (log) of catalogue figures against plants as built: minor losses between handbooks, pump curves by their
# acceptance tolerance (ISO 9906 for small pumps, +-8 % head, from memory), uncalibrated meters.
RESISTANCE_LOG_SD = 0.30
HEAD_LOG_SD = 0.08
GAIN_LOG_SD = 0.03
LEAST_HOURS = 48
OUTSIDE_SDS = 2.0
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
class MeterLeftOut:
    """A meter that gave nothing to judge by in the healthy days: too few hours with a reading, or no flow in most."""

    name: str
    hours: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """A meter that was commissioned after the others, and its own healthy days, UTC epoch seconds."""

    name: str
    from_s: int
    to_s: int


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
        gauges: those that take part. left_out: those that do not. meters_left_out: likewise.
        joined: meters that came after the others; what they showed before does not count.
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
    meters_left_out: tuple[MeterLeftOut, ...] = ()
    joined: tuple[Joined, ...] = ()

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

    def healthy_until_s(self, meter: str) -> int:
        """Where the healthy days of a meter end, UTC epoch seconds."""
        return next((one.to_s for one in self.joined if one.name == meter), self.to_s)

    def counts(self, frame: HourFrame) -> NDArray[np.bool_]:
        """[T, M] whether a meter's hour counts; of one that joined later, none before."""
        starts_s = frame.start_s + HOUR_S * np.arange(frame.hours)
        since = {one.name: one.from_s for one in self.joined}
        columns = [starts_s >= since.get(name, frame.start_s) for name in self.meters]
        return np.stack(columns, axis=1)

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
        odd += [_left_out(meter) for meter in self.meters_left_out]
        if abs(np.log(self.head_factor)) > OUTSIDE_SDS * HEAD_LOG_SD:
            odd.append(
                f"pump: its head is {self.head_factor:.2f} times the curve's. "
                "The curve, the speed or the heights of the outlets in the plant file may be wrong, or the pump is worn."
            )
        return tuple(odd)


def _left_out(meter: MeterLeftOut) -> str:
    why = (
        f"{meter.hours} hours with a reading in the healthy days are too few, {LEAST_HOURS} are needed. Look at its wire, "
        "its counter and what was loaded"
        if meter.hours < LEAST_HOURS
        else "no flow in most of the healthy days. Look at its rotor, sensor and wire, and at its branch's valve"
    )
    return (
        f"{meter.name}: {why}. It takes no part in the diagnosis, all else does. Once it works, commission it alone: "
        f"--meter {shlex.quote(meter.name)} --from TIME, TIME being when it was mended; two days on are enough."
    )


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

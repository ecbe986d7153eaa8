"""What every fault does to every meter and gauge: patterns of log change, from the commissioned network.

A restricted branch loses flow and all others gain; a weaker supply takes from all in a fixed pattern, most from the
highest outlet; a wrong meter moves alone. Where the pump's power is read the supply comes in parts, which do the same to
every flow and not to the power. Sizes run along a path of solved networks, so that large faults keep their
true pattern. Sources of the idea: signature matrices of structural isolation (Blanke et al., Diagnosis and
Fault-Tolerant Control); the patterns themselves are the solver's.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.assessment import FaultKind, SupplyPart
from analysis.detection.learning import first_guess
from analysis.detection.noise import NoiseModel
from analysis.detection.posterior import Hypotheses, spans_of
from analysis.frames import Floats, Ints
from analysis.gauges import Columns, columns_of
from analysis.hydraulics.network import Conditions, Network, Solution, solve
from analysis.hydraulics.pump import pump_head
from analysis.hydraulics.pump_power import PumpPower
from config.plant import Plant

# A reading below this share of the commissioned one is as good as none.
LEAST_SHARE = 0.02
# Losses of flow at an unchanged header head that the paths are solved at; gains for a valve opened.
RESTRICTED = (0.02, 0.035, 0.06, 0.10, 0.16, 0.25, 0.38, 0.55, 0.75, 0.92, 0.98)
OPENED = (0.02, 0.035, 0.06, 0.10, 0.17, 0.30)
SPEED_CHANGE = (-0.30, -0.20, -0.13, -0.085, -0.05, -0.03, -0.018, -0.01, 0.01, 0.018, 0.03, 0.05, 0.085, 0.15)
METER_LOW = (-3.912, -2.4, -1.4, -0.8, -0.45, -0.26, -0.15, -0.085, -0.05, -0.03, -0.02)
METER_HIGH = (0.02, 0.035, 0.06, 0.11, 0.2, 0.35, 0.6)

# How often a year such a thing happens, and how it grows (step, slowing ramp, quickening ramp). Common practice, no
# source: media are changed every month or two because they clog; a pump is cleaned once or twice a year.
RESTRICTED_MEDIA = (2.0, (0.4, 0.3, 0.3))
RESTRICTED_PLAIN = (0.5, (0.8, 0.1, 0.1))
OPENED_RUN = (0.3, (1.0, 0.0, 0.0))
SUPPLY = (4.0, (0.4, 0.35, 0.25))
METER = (0.6, (0.5, 0.3, 0.2))
# What a worn or fouled impeller draws at the same flow, by the head that it lacks there: log power over log head, and its
# spread. Friction within it takes head and no power (0), one that is smaller draws less as a slower one does (0.7 to 1.2,
# by how steep the curve is), growth that drags draws more (below 0). By reasoning from the work that vanes do, no source.
IMPELLER_POWER, IMPELLER_POWER_SD = 0.5, 0.5

COMMON_PARTS = ("pump speed", "sump level", "water temperature")
# Usual wander of the common parts: log speed, metres of sump level, kelvin. Common practice, no source.
COMMON_SD = (0.0025, 0.012, 0.5)
# What jumps now and then: a sump that has sunk for a day is topped up within minutes. Common practice, no source.
COMMON_JUMP_SD = (0.0, 0.03, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One hypothesis: its kind and the run, meter or gauge it sits on (None for the supply), or the part of the supply."""

    kind: FaultKind
    subject: str | None
    part: SupplyPart | None = None

    @property
    def name(self) -> str:
        """Distinct name."""
        return f"{self.kind.value}:{self.part or self.subject or 'pump'}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signatures:
    """All that the network says of faults.

    Attributes:
        faults: [H]. hypotheses: their patterns over the M readings, of the meters and then the gauges.
        common: [M, C] d log reading per unit of each of COMMON_PARTS.
        runs: names of the R runs. meters: names of the meters. gauges: names of the gauges.
    """

    faults: tuple[Fault, ...]
    hypotheses: Hypotheses
    common: Floats
    runs: tuple[str, ...]
    meters: tuple[str, ...]
    gauges: tuple[str, ...] = ()

    @property
    def readings(self) -> tuple[str, ...]:
        """Names of the M readings, in the order of the columns."""
        return (*self.meters, *self.gauges)


@dataclass(frozen=True, slots=True, kw_only=True)
class AsCommissioned:
    """How the plant was found to run: resistance [R] by run, the pump's head factor and speed."""

    resistance: Floats
    head_factor: float
    speed: float


@dataclass(frozen=True, slots=True)
class _Path:
    fault: Fault
    sizes: Floats
    load: Floats  # [sizes]
    readings: Floats  # [sizes, M]
    hazard: float
    shape: tuple[float, float, float]
    doubt: Floats  # [sizes, M]


def signatures_of(
    plant: Plant, network: Network, state: AsCommissioned, meters: tuple[str, ...], gauges: tuple[str, ...] = ()
) -> Signatures:
    """Solve every fault's path.

    Args:
        plant: for media, meters and gauges.
        network: compiled from it.
        state: as commissioned.
        meters: names, each on a run.
        gauges: names.
    """
    columns = columns_of(plant, network, meters, gauges)
    paths = [
        *_run_paths(plant, network, state, columns),
        *_supply_paths(network, state, columns),
        *_meter_paths((*meters, *gauges)),
    ]
    owner = np.concatenate([np.full(len(path.sizes), index) for index, path in enumerate(paths)])
    patterns = np.maximum(np.concatenate([path.readings for path in paths]), np.log(LEAST_SHARE))
    sizes = np.concatenate([path.sizes for path in paths])
    hazard = np.array([path.hazard for path in paths])
    doubt = np.concatenate([path.doubt for path in paths])
    hypotheses = Hypotheses(
        names=tuple(path.fault.name for path in paths),
        owner=owner,
        patterns=patterns,
        spans=spans_of(patterns, owner),
        size=sizes,
        size_spans=spans_of(sizes, owner),
        hazard=hazard / hazard.sum(),
        shape=np.array([path.shape for path in paths]),
        doubt=doubt if doubt.any() else None,
        load=np.concatenate([path.load for path in paths]),
    )
    return Signatures(
        faults=tuple(path.fault for path in paths),
        hypotheses=hypotheses,
        common=_common(network, state, columns),
        runs=network.runs,
        meters=meters,
        gauges=gauges,
    )


def usual_noise(common_signature: Floats, *, gauge_wander_sd: Sequence[float] = ()) -> NoiseModel:
    """How a plant wanders by its common parts' signature [M, C], before anything was learned of it.

    The last of the M readings are of gauges that wander as `gauge_wander_sd` says.
    """
    return first_guess(common_signature, np.array(COMMON_SD), np.array(COMMON_JUMP_SD), gauge_wander_sd=gauge_wander_sd)


def speed_change(network: Network, state: AsCommissioned, speed: float, columns: Columns) -> Floats:
    """[M] log change of the readings when the pump runs at `speed` (fraction) instead of as commissioned."""
    change: Floats = _changes(network, state, Conditions(speed=np.array([speed])), columns).readings[0]
    return change


@dataclass(frozen=True, slots=True)
class _Changes:
    """Log changes of B cases: of the flow of every run [B, R], and of the readings [B, M], with their doubt [B, M]."""

    flow: Floats
    readings: Floats
    doubt: Floats


def _log_ratio(value: Floats, base: Floats) -> Floats:
    """Log of flow or head over base, no lower than LEAST_SHARE; 0 where the base itself is none."""
    there = base > 0
    ratio = np.where(there, value / np.where(there, base, 1.0), 1.0)
    return np.log(np.maximum(ratio, LEAST_SHARE))


def _changes(network: Network, state: AsCommissioned, conditions: Conditions, columns: Columns) -> _Changes:
    """What conditions change that are laid over the commissioned state."""
    base, changed = (solve(network, _laid_over(state, case)) for case in (AS_FOUND, conditions))
    flow = _log_ratio(changed.flow_m3s, base.flow_m3s[0])
    head = _log_ratio(columns.heads_m(changed), columns.heads_m(base)[0])
    readings = np.concatenate([flow[:, columns.run], head], axis=1)
    doubt = np.zeros_like(readings)
    if columns.of_pump.any():
        of_pump = _of_pump(columns)
        speed = state.speed if conditions.speed is None else conditions.speed
        power, sd = columns.pump_power(base, state.speed).log_change(changed.pump_flow_m3s, speed)
        readings[:, of_pump], doubt[:, of_pump] = power[:, None], sd[:, None]
    return _Changes(flow, readings, doubt)


def _of_pump(columns: Columns) -> Ints:
    """The columns of the readings that are of the pump's power."""
    return len(columns.run) + np.flatnonzero(columns.of_pump)


def _as_found(network: Network, state: AsCommissioned) -> Floats:
    """[R] flows as commissioned."""
    flow: Floats = solve(network, _laid_over(state, AS_FOUND)).flow_m3s[0]
    return flow


AS_FOUND = Conditions()


def _laid_over(state: AsCommissioned, conditions: Conditions) -> Conditions:
    return Conditions(
        speed=state.speed if conditions.speed is None else conditions.speed,
        head_factor=state.head_factor * conditions.head_factor,
        viscosity_m2s=conditions.viscosity_m2s,
        sump_rise_m=conditions.sump_rise_m,
        resistance=state.resistance * conditions.resistance,
        media_resistance=conditions.media_resistance,
        closed=conditions.closed,
    )


def _run_paths(plant: Plant, network: Network, state: AsCommissioned, columns: Columns) -> list[_Path]:
    factors = 1.0 / (1.0 - np.concatenate([RESTRICTED, -np.array(OPENED)])) ** 2
    places = [network.runs.index(run.name) for run in plant.branches]
    resistance = np.ones((len(places), len(factors), len(network.runs)))
    for number, place in enumerate(places):
        resistance[number, :, place] = factors
    every = _changes(network, state, Conditions(resistance=resistance.reshape(-1, len(network.runs))), columns)
    flow = every.flow.reshape(resistance.shape)
    readings, doubt = (side.reshape(*resistance.shape[:2], -1) for side in (every.readings, every.doubt))
    split = len(RESTRICTED)
    paths = []
    for number, (run, place) in enumerate(zip(plant.branches, places, strict=True)):
        for kind, part, load, (hazard, shape) in (
            (
                FaultKind.RESTRICTION,
                slice(split),
                factors[:split] - 1.0,
                RESTRICTED_MEDIA if run.media else RESTRICTED_PLAIN,
            ),
            (FaultKind.OPENING, slice(split, None), 1.0 - factors[split:], OPENED_RUN),
        ):
            fault = Fault(kind=kind, subject=run.name)
            flows = flow[number, part, place]
            paths.append(_Path(fault, flows, load, readings[number, part], hazard, shape, doubt[number, part]))
    return paths


def _supply_paths(network: Network, state: AsCommissioned, columns: Columns) -> list[_Path]:
    """The supply as one fault; in parts where the pump's power is read.

    All parts do to every flow, and to the head that the branches share, what another speed does.
    """
    turned = state.speed * (1.0 + np.array(SPEED_CHANGE))
    changes = _changes(network, state, Conditions(speed=turned), columns)
    base = _as_found(network, state)
    pumped = base * _from_pump(network)
    total = _log_ratio(np.exp(changes.flow) @ pumped, np.array(pumped.sum()))
    hazard, shape = SUPPLY
    lack = 1.0 - (1.0 + np.array(SPEED_CHANGE)) ** 2
    if not columns.of_pump.any():
        whole = Fault(kind=FaultKind.SUPPLY, subject=None)
        return [_Path(whole, total, lack, changes.readings, hazard, shape, changes.doubt)]
    found = solve(network, _laid_over(state, Conditions(speed=turned)))
    duty = columns.pump_power(solve(network, _laid_over(state, AS_FOUND)), state.speed)
    log_lack = _log_lack(network, state, found)
    paths = []
    for part in SupplyPart:
        sizes = np.flatnonzero(total < 0) if part is SupplyPart.IMPELLER else np.arange(len(total))  # none gets better
        power, doubt = _part_power(part, duty, found, turned, state.speed, log_lack)
        readings, doubts = changes.readings.copy(), np.zeros_like(changes.readings)
        readings[:, _of_pump(columns)], doubts[:, _of_pump(columns)] = power[:, None], doubt[:, None]
        fault = Fault(kind=FaultKind.SUPPLY, subject=None, part=part)
        share = hazard / len(SupplyPart)
        paths.append(_Path(fault, total[sizes], lack[sizes], readings[sizes], share, shape, doubts[sizes]))
    return paths


def _part_power(  # noqa: PLR0913, PLR0917 - a part, and what was solved for all of them
    part: SupplyPart, duty: PumpPower, found: Solution, turned: Floats, speed: float, log_lack: Floats
) -> tuple[Floats, Floats]:
    """[sizes] log change of the power about the duty point, and its standard deviation, of a part of the supply.

    `found` are the flows that all parts make, solved at the speeds `turned`; `log_lack` [sizes] is of the pump's head.
    """
    if part is SupplyPart.SPEED:
        return duty.log_change(found.pump_flow_m3s, turned)
    change, sd = duty.log_change(found.pump_flow_m3s, speed)
    if part is SupplyPart.INTAKE:
        return change, sd
    return change + IMPELLER_POWER * log_lack, np.hypot(sd, IMPELLER_POWER_SD * log_lack)


def _log_lack(network: Network, state: AsCommissioned, found: Solution) -> Floats:
    """[B] log of the head that the pump gives over what it would give, as commissioned, at the same flow."""
    passed = np.maximum(found.pump_flow_m3s, 0.0)
    whole = pump_head(network.pump, passed, speed=state.speed, head_factor=state.head_factor)[0]
    return _log_ratio(found.pump_head_m, np.maximum(whole, 1e-9))


def _from_pump(network: Network) -> np.ndarray:
    return network.parent < 0


def _meter_paths(names: tuple[str, ...]) -> list[_Path]:
    sizes = np.array([*METER_LOW, *METER_HIGH])
    hazard, shape = METER
    return [
        _Path(
            Fault(kind=FaultKind.METER, subject=name),
            sizes,
            np.abs(np.exp(sizes) - 1.0),
            sizes[:, None] * (np.arange(len(names)) == index),
            hazard,
            shape,
            np.zeros((len(sizes), len(names))),
        )
        for index, name in enumerate(names)
    ]


def _common(network: Network, state: AsCommissioned, columns: Columns) -> Floats:
    """[M, C] d log reading per unit of each common part, by small differences about the commissioned state."""
    slow, low_m, warm_k = 0.99, -0.01, 1.0
    viscosity = network.viscosity_m2s * (1.0 - VISCOSITY_PER_KELVIN * warm_k)
    parts = (
        (Conditions(speed=state.speed * slow), np.log(slow)),
        (Conditions(sump_rise_m=low_m), low_m),
        (Conditions(viscosity_m2s=viscosity), warm_k),
    )
    return np.stack(
        [_changes(network, state, conditions, columns).readings[0] / unit for conditions, unit in parts], axis=1
    )


# Relative fall of kinematic viscosity with temperature near 25 degC, 1/K (Sharqawy et al. 2010).
VISCOSITY_PER_KELVIN = 0.022

"""What a plant's meters can tell apart, put in order: which faults look alike, and what more meter would decide.

Before the plant is commissioned, the network of the plant file and a usual noise stand in for its own.
"""

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.assessment import FaultKind, Isolability, SupplyPart
from analysis.baseline import Baseline
from analysis.detection.noise import NoiseModel
from analysis.frames import Floats
from analysis.gauges import usual_wander
from analysis.hydraulics.network import compile_network
from analysis.isolability import isolability_and_sight_of
from analysis.signatures import AsCommissioned, Signatures, signatures_of, usual_noise
from config.plant import GaugeKind, Meter, Plant

# What a meter on a run that has none is called, in the faults of a plant that is tried with it.
TRIED = "a meter to be tried"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decider:
    """A meter that would decide: the run that it would sit on, and the hours after which it tells."""

    run: str
    hours: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Alike:
    """Faults of which no meter of the plant tells any from any other, by their names.

    Attributes:
        meters: one more meter that would tell all of them apart, the soonest first; runs that have none.
        outlets: branches at whose outlets a bucket test says something: whether the meter there is right, or what a
            branch gets that has none.
        bucket_decides: whether such tests leave one fault of the group at most.
    """

    faults: tuple[str, ...]
    meters: tuple[Decider, ...]
    outlets: tuple[str, ...]
    bucket_decides: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldApart:
    """What a plant can tell apart.

    Attributes:
        pairs: every pair of faults, with the hours it takes.
        alike: groups of which no two can be told apart within 30 days; a fault may be in several.
        unseen: faults that the meters do not tell from a healthy plant within 30 days.
        dry: branches in which no water flows by these figures, so that nothing can be told of them.
        gauges: the gauges that take part, by what they read.
        commissioned: whether the plant's own network and noise were used, or the plant file's and a usual noise.
    """

    pairs: tuple[Isolability, ...]
    alike: tuple[Alike, ...]
    unseen: tuple[str, ...]
    dry: tuple[str, ...]
    gauges: Mapping[str, GaugeKind] = field(default_factory=dict)
    commissioned: bool


@dataclass(frozen=True, slots=True)
class _State:
    """How the plant runs, the gauges that take part, and the noise of its own meters and gauges, if that is known."""

    plant: Plant
    running: AsCommissioned
    gauges: tuple[str, ...]
    noise: NoiseModel | None


def told_apart(plant: Plant, baseline: Baseline | None, *, tell: Callable[[int, int], None] | None = None) -> ToldApart:
    """Work out what the meters of a plant can tell apart.

    Args:
        plant: at least one of its meters sits on a run.
        baseline: as commissioned; None for the plant file's network and a usual noise.
        tell: is told how many tries of one more meter are done, and of how many.

    Raises:
        NoSolution: the plant does not run.
    """
    state = _state(plant, baseline)
    meters = baseline.meters if baseline is not None else _placed(plant)
    signatures = _signatures(state, meters)
    pairs, sight = _judged(state, signatures)
    seen = tuple(name for name, hours in sight.items() if hours is not None)
    dry = _dry(signatures)
    groups = _alike(pairs, seen)
    deciders = _deciders(state, meters, groups, tell)
    outlets = [[_outlet(plant, *kind_and_subject(name)) for name in group] for group in groups]
    return ToldApart(
        pairs=pairs,
        alike=tuple(
            Alike(
                faults=group,
                meters=deciders[place],
                outlets=tuple(dict.fromkeys(outlet for outlet in tested if outlet is not None)),
                bucket_decides=tested.count(None) <= 1 < len(tested),
            )
            for place, (group, tested) in enumerate(zip(groups, outlets, strict=True))
        ),
        unseen=tuple(name for name in sight if name not in seen and kind_and_subject(name)[1] not in dry),
        dry=dry,
        gauges={name: plant.gauge_kinds[name] for name in state.gauges},
        commissioned=baseline is not None,
    )


def kind_and_subject(fault: str) -> tuple[FaultKind, str | None]:
    """A fault's name taken apart again."""
    kind, _, subject = fault.partition(":")
    return FaultKind(kind), None if FaultKind(kind) is FaultKind.SUPPLY else subject


def part_of(fault: str) -> SupplyPart | None:
    """The part of the supply that a fault's name tells of; None for the whole supply, and for all else."""
    kind, _, subject = fault.partition(":")
    parts = {part.value: part for part in SupplyPart}
    return parts.get(subject) if FaultKind(kind) is FaultKind.SUPPLY else None


def _placed(plant: Plant) -> tuple[str, ...]:
    return tuple(meter.name for meter in plant.meters if plant.run_of_meter(meter.name) is not None)


def _state(plant: Plant, baseline: Baseline | None) -> _State:
    network = compile_network(plant)
    if baseline is not None:
        return _State(plant, baseline.state(network), baseline.gauge_names, baseline.noise)
    as_drawn = AsCommissioned(resistance=np.ones(len(network.runs)), head_factor=1.0, speed=plant.pump.speed)
    return _State(plant, as_drawn, plant.gauge_names, None)


def _signatures(state: _State, meters: tuple[str, ...]) -> Signatures:
    # A dry branch has faults of no size, whose weights, not used here, cannot be shared out.
    with np.errstate(invalid="ignore"):
        return signatures_of(state.plant, compile_network(state.plant), state.running, meters, state.gauges)


def _judged(state: _State, signatures: Signatures) -> tuple[tuple[Isolability, ...], dict[str, float | None]]:
    return isolability_and_sight_of(signatures, _noise(state, signatures))


def _dry(signatures: Signatures) -> tuple[str, ...]:
    """The branches whose restriction takes nothing from them."""
    hypotheses = signatures.hypotheses
    return tuple(
        fault.subject or ""
        for place, fault in enumerate(signatures.faults)
        if fault.kind is FaultKind.RESTRICTION and not np.any(hypotheses.size[hypotheses.owner == place])
    )


def _noise(state: _State, signatures: Signatures) -> NoiseModel:
    """The plant's own noise, and for a meter more that is tried, before the gauges, the usual one."""
    usual = usual_noise(signatures.common, gauge_wander_sd=usual_wander(state.plant, state.gauges))
    if state.noise is None:
        return usual
    own, gauges = state.noise, len(state.gauges)

    def joined(known: Floats, guessed: Floats) -> Floats:
        meters = len(known) - gauges
        return np.concatenate([known[:meters], guessed[meters : len(guessed) - gauges], known[meters:]])

    return replace(
        usual,
        white_sd=joined(own.white_sd, usual.white_sd),
        wander_sd=joined(own.wander_sd, usual.wander_sd),
        wander_tau_h=joined(own.wander_tau_h, usual.wander_tau_h),
        common_sd=own.common_sd,
        common_tau_h=own.common_tau_h,
    )


def _alike(pairs: Sequence[Isolability], faults: Sequence[str]) -> tuple[tuple[str, ...], ...]:
    """The largest groups of these faults of which no pair can be told apart, in the order of the faults."""
    never = {frozenset((pair.first, pair.second)) for pair in pairs if pair.hours is None}
    neighbours = {
        name: {other for other in faults if frozenset((name, other)) in never and other != name} for name in faults
    }
    alone = {name for name in faults if not neighbours[name]}
    groups = _cliques(neighbours, set(), set(faults) - alone, set())
    places = sorted(sorted(faults.index(name) for name in group) for group in groups)
    return tuple(tuple(faults[place] for place in group) for group in places)


def _cliques(
    neighbours: dict[str, set[str]], chosen: set[str], candidates: set[str], done: set[str]
) -> list[frozenset[str]]:
    """Maximal cliques of a graph (Bron and Kerbosch 1973, with a pivot): groups that hold `chosen`, none of `done`."""
    if not candidates and not done:
        return [frozenset(chosen)] if chosen else []
    pivot = max(sorted(candidates | done), key=lambda name: len(neighbours[name] & candidates))
    found = []
    for name in sorted(candidates - neighbours[pivot]):
        beside = neighbours[name]
        found += _cliques(neighbours, chosen | {name}, candidates & beside, done & beside)
        candidates = candidates - {name}
        done = done | {name}
    return found


def _deciders(
    state: _State,
    meters: tuple[str, ...],
    groups: Sequence[tuple[str, ...]],
    tell: Callable[[int, int], None] | None,
) -> list[tuple[Decider, ...]]:
    """For each group the runs on which one more meter would tell all of it apart, the soonest first."""
    free = [run.name for run in state.plant.runs if run.meter is None] if groups else []
    found: list[list[Decider]] = [[] for _ in groups]
    for number, run in enumerate(free, start=1):
        tried = replace(state, plant=_with_meter(state.plant, run))
        pairs, _ = _judged(tried, _signatures(tried, (*meters, TRIED)))
        hours = {frozenset((pair.first, pair.second)): pair.hours for pair in pairs}
        for place, group in enumerate(groups):
            needed = [hours[frozenset(pair)] for pair in itertools.combinations(group, 2)]
            known = [value for value in needed if value is not None]
            if len(known) == len(needed):
                found[place].append(Decider(run=run, hours=max(known)))
        if tell is not None:
            tell(number, len(free))
    return [tuple(sorted(deciders, key=lambda decider: decider.hours)) for deciders in found]


def _with_meter(plant: Plant, run_name: str) -> Plant:
    return replace(
        plant,
        runs=tuple(replace(run, meter=TRIED) if run.name == run_name else run for run in plant.runs),
        meters=(*plant.meters, Meter(name=TRIED, k_points=((0.0, 1.0),))),
    )


def _outlet(plant: Plant, kind: FaultKind, subject: str | None) -> str | None:
    """The branch at whose outlet a bucket test speaks for or against a fault; None where none does."""
    if kind is FaultKind.METER:
        on = plant.run_of_meter(subject or "")
        return on.name if on is not None and on.is_branch else None
    run = next((run for run in plant.runs if run.name == subject), None)
    return run.name if run is not None and run.meter is None else None

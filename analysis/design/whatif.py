"""What changes would bring: the plant as built, with each change alone, and with all of them, side by side."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.design.changes import changed_plant
from analysis.design.costs import Cost, costliest
from analysis.design.elbow_tables import TABLES
from analysis.design.spread import Draws, by_table, draw, drawn
from analysis.frames import Floats
from analysis.hydraulics.network import Conditions, Network, compile_network, solve, solve_one
from config.edits import Change, FittingEdit
from config.plant import FittingKind, Plant

DRAWS = 400
_INTERVAL = (0.05, 0.95)
_ELBOWS = (FittingKind.ELBOW_90, FittingKind.ELBOW_45, FittingKind.ELBOW_90_LONG)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """What a change brings a branch.

    Attributes:
        flow_m3s: after the change.
        gain: share by which the flow rises over the plant as built; None where there was no flow outward.
        low, high: 90 % interval of the gain: both plants meet the same catalogue errors; None as above.
        by_table: [S] gain by each published table of elbows, in the order of `elbow_tables.TABLES`; empty unless the
            change exchanges elbows.
    """

    flow_m3s: float
    gain: float | None
    low: float | None
    high: float | None
    by_table: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """The plant with one change, or all.

    Attributes:
        changes: what is changed.
        plant: after that.
        pump_flow_m3s, pump_head_m: its operating point.
        gains: of every run, in file order.
    """

    changes: tuple[Change, ...]
    plant: Plant
    pump_flow_m3s: float
    pump_head_m: float
    gains: tuple[Gain, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Plants side by side.

    Attributes:
        as_built_m3s: flow of every run, in file order. low_m3s, high_m3s: their 90 % interval.
        pump_flow_m3s, pump_head_m: the operating point as built.
        variants: each change alone, then all together if there are several.
        costs: the costliest elements as built.
        tables: names of the published tables of elbows.
    """

    as_built_m3s: tuple[float, ...]
    low_m3s: tuple[float, ...]
    high_m3s: tuple[float, ...]
    pump_flow_m3s: float
    pump_head_m: float
    variants: tuple[Variant, ...]
    costs: tuple[Cost, ...]
    tables: tuple[str, ...] = tuple(table.source for table in TABLES)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """A plant solved: [R] flows, [D, R] flows of its draws (nan without a solution), [S, R] by table of elbows."""

    plant: Plant
    flow_m3s: Floats
    drawn_m3s: Floats
    tabled_m3s: Floats
    pump_flow_m3s: float
    pump_head_m: float


def compare(plant: Plant, changes: Sequence[Change]) -> Comparison:
    """Solve the plant as built, with each change, and with all together.

    Args:
        plant: as built.
        changes: at least one.

    Raises:
        NoSolution: one of the plants has no operating point.
    """
    draws = draw(DRAWS, len(plant.runs))
    base = _case(plant, draws)
    tried: list[tuple[Change, ...]] = [(change,) for change in changes]
    if len(changes) > 1:
        tried.append(tuple(changes))
    low, high = np.nanquantile(base.drawn_m3s, _INTERVAL, axis=0)
    return Comparison(
        as_built_m3s=tuple(map(float, base.flow_m3s)),
        low_m3s=tuple(map(float, low)),
        high_m3s=tuple(map(float, high)),
        pump_flow_m3s=base.pump_flow_m3s,
        pump_head_m=base.pump_head_m,
        variants=tuple(_variant(plant, together, base, draws) for together in tried),
        costs=costliest(compile_network(plant)),
    )


def _variant(plant: Plant, changes: tuple[Change, ...], base: _Case, draws: Draws) -> Variant:
    case = _case(changed_plant(plant, changes), draws)
    tabled = any(_exchanges_elbows(change) for change in changes)
    return Variant(
        changes=changes,
        plant=case.plant,
        pump_flow_m3s=case.pump_flow_m3s,
        pump_head_m=case.pump_head_m,
        gains=tuple(_gain(base, case, run, tabled=tabled) for run in range(len(plant.runs))),
    )


def _exchanges_elbows(change: Change) -> bool:
    return any(isinstance(edit, FittingEdit) and {edit.old, edit.new} & set(_ELBOWS) for edit, _ in change.edits)


def _case(plant: Plant, draws: Draws) -> _Case:
    network = compile_network(plant)
    solution = solve_one(network)
    return _Case(
        plant=plant,
        flow_m3s=solution.flow_m3s[0],
        drawn_m3s=_flows(network, drawn(network, draws)),
        tabled_m3s=_flows(network, by_table(network)),
        pump_flow_m3s=float(solution.pump_flow_m3s[0]),
        pump_head_m=float(solution.pump_head_m[0]),
    )


def _flows(network: Network, conditions: Conditions) -> Floats:
    """[B, R] flows, nan for a case without a solution."""
    solution = solve(network, conditions)
    return np.where(solution.converged[:, None], solution.flow_m3s, np.nan)


def _gain(base: _Case, case: _Case, run: int, *, tabled: bool) -> Gain:
    flow, before = float(case.flow_m3s[run]), float(base.flow_m3s[run])
    both = (base.drawn_m3s[:, run] > 0.0) & np.isfinite(case.drawn_m3s[:, run])
    if before <= 0.0 or not both.any():
        return Gain(flow_m3s=flow, gain=None, low=None, high=None)
    low, high = np.quantile(case.drawn_m3s[both, run] / base.drawn_m3s[both, run] - 1.0, _INTERVAL)
    by_source = case.tabled_m3s[:, run] / base.tabled_m3s[:, run] - 1.0 if tabled else np.array([])
    return Gain(
        flow_m3s=flow, gain=flow / before - 1.0, low=float(low), high=float(high), by_table=tuple(map(float, by_source))
    )

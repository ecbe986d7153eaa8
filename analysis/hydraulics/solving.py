"""Flows and heads of a network: Newton's method on the tree, all cases at once.

The global gradient method (Todini and Pilati, 1988): each link's loss is made linear about its flow, Q = y + p dH with
p = 1/(dh/dQ) and y = Q - h p. On a tree the linear system needs no matrix: from the leaves inward every branch becomes
Q = c + P H of the node it starts at, at the pump the line meets the pump's, and from there outward all heads and flows
follow. Every step works on [runs, cases] arrays.

A link that lets nothing pass, a one-way run with its water wanting back, and a pump below the head it would have to
add, are links of so high a resistance that what passes is below a nanolitre an hour; it is given as 0.
"""

from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats, Ints
from analysis.hydraulics.circuit import Bools, Network
from analysis.hydraulics.conditions import AS_BUILT, CaseArrays, Conditions, case_arrays
from analysis.hydraulics.friction import FrictionCurve
from analysis.hydraulics.pump import pump_head
from analysis.hydraulics.tree import Links, balance
from config.errors import NoSolution

RESIDUAL_TOLERANCE = 1e-9
SHUT_S_M2 = 1e14
_LEAST_SLOPE_S_M2 = 1e-4
_NO_FLOW_M3S = 1e-12
_TYPICAL_FRICTION_FACTOR = 0.03
_FULL_STEPS = 12
_CELLS_A_CHUNK = 16_000
_SEEDED_ABOVE = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """Operating points of B cases.

    Attributes:
        flow_m3s: [B, R] outward positive. head_m: [B, N] at the nodes, above the sump's level as built.
        pump_flow_m3s, pump_head_m: [B] what the pump passes and adds; a pump held shut adds what holds it shut.
        energy_residual_m: [B] largest head left over on any link.
        mass_residual_m3s: [B] largest flow left over at any node.
        iterations: [B]. converged: [B] both residuals are within 1e-9 of the largest head and flow.
        conditions: what was solved for.
    """

    flow_m3s: Floats
    head_m: Floats
    pump_flow_m3s: Floats
    pump_head_m: Floats
    energy_residual_m: Floats
    mass_residual_m3s: Floats
    iterations: Ints
    converged: Bools
    conditions: Conditions


def solve(network: Network, conditions: Conditions = AS_BUILT) -> Solution:
    """Flows and heads of every case; a case without a solution is marked, not raised.

    Args:
        network: the network.
        conditions: how it runs, B cases.

    Raises:
        ValueError: shapes of the conditions that do not fit.
    """
    arrays = case_arrays(network, conditions)
    chunk = max(64, _CELLS_A_CHUNK // len(network.runs))
    seed = _seed(network, arrays) if arrays.cases > _SEEDED_ABOVE else None
    parts = [
        _solve_chunk(network, arrays.take(slice(first, min(first + chunk, arrays.cases))), seed)
        for first in range(0, arrays.cases, chunk)
    ]
    return _solution(network, arrays, parts, conditions)


def solve_one(network: Network, conditions: Conditions = AS_BUILT) -> Solution:
    """As `solve`, for a single case.

    Raises:
        NoSolution: no operating point was found.
        ValueError: more cases than one.
    """
    solution = solve(network, conditions)
    if solution.converged.size != 1:
        raise ValueError(f"one case is wanted, {solution.converged.size} are given")
    if not solution.converged[0]:
        left = solution.energy_residual_m[0]
        raise NoSolution(
            f"the manifold has no operating point that the solver can find ({left:.2g} m of head are left over): "
            "check the pump's curve and the heights of the outlets"
        )
    return solution


@dataclass(slots=True, kw_only=True)
class _State:
    """Flows and heads by row, and how far each case has come."""

    flow: Floats  # [R, B]
    pump_flow: Floats  # [B]
    head: Floats  # [N, B]
    residual: Floats  # [B]
    iterations: Ints  # [B]
    converged: Bools  # [B]
    shut: float = SHUT_S_M2  # resistance of what lets nothing pass, s/m2


@dataclass(frozen=True, slots=True, kw_only=True)
class _Effort:
    """How hard a round tries.

    Attributes:
        steps: at most, at each resistance. shut_s_m2: resistances of what lets nothing pass, one after the other;
            starting low lets runs open and shut gently.
        guarded: whether steps are bounded where the loss is flat. damping: shares of the step taken, in turn, once
            the first dozen of full ones has not sufficed; an irregular turn breaks cycles of opening and shutting.
    """

    steps: int
    shut_s_m2: tuple[float, ...]
    guarded: bool
    damping: tuple[float, ...]

    def share(self, step: int) -> float:
        """Share of the step to take."""
        return 1.0 if step <= _FULL_STEPS else self.damping[step % len(self.damping)]


_EFFORTS = (
    _Effort(steps=8, shut_s_m2=(SHUT_S_M2,), guarded=False, damping=(1.0,)),
    _Effort(steps=80, shut_s_m2=(1e5, 1e7, 1e9, 1e11, SHUT_S_M2), guarded=True, damping=(1.0, 0.5, 0.2, 0.7)),
    _Effort(steps=200, shut_s_m2=(1e4, 1e6, 1e8, 1e10, 1e12, SHUT_S_M2), guarded=True, damping=(1.0, 0.5, 1.0, 0.1)),
    _Effort(steps=400, shut_s_m2=(1e5, 1e8, 1e11, SHUT_S_M2), guarded=True, damping=(0.3, 0.1, 0.6, 0.2, 0.05)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seed:
    """A case that is solved already, for others like it to start from: [R, 1] flow at a pump's stretch."""

    flow: Floats
    pump_flow: Floats
    stretch: Floats


def _seed(network: Network, arrays: CaseArrays) -> _Seed | None:
    """The middle one of the cases, solved; None if its pump moves nothing."""
    middle = arrays.take(np.array([arrays.cases // 2]))
    state = _solve_chunk(network, middle, None)
    if state.pump_flow[0] <= _NO_FLOW_M3S:
        return None
    return _Seed(flow=state.flow, pump_flow=state.pump_flow, stretch=middle.speed * middle.flow_factor)


def _from_seed(network: Network, arrays: CaseArrays, seed: _Seed) -> _State:
    """The flows of the seed, in proportion to the pump's speed."""
    share = arrays.speed * arrays.flow_factor / seed.stretch
    state = _empty_state(network, arrays.cases)
    state.flow[:] = seed.flow * share
    state.pump_flow[:] = seed.pump_flow * share
    return state


def _solve_chunk(network: Network, arrays: CaseArrays, seed: _Seed | None) -> _State:
    """Try all cases lightly, then what is left ever harder."""
    state = _first_guess(network, arrays) if seed is None else _from_seed(network, arrays, seed)
    for number, effort in enumerate(_EFFORTS):
        left = np.flatnonzero(~state.converged)
        if not left.size:
            break
        few = arrays if left.size == arrays.cases else arrays.take(left)
        rest = state if number == 0 else _first_guess(network, few)
        for shut in effort.shut_s_m2:
            rest.shut = shut
            _iterate(network, few, rest, effort)
        if rest is not state:
            _put(state, left, rest)
    return state


def _first_guess(network: Network, arrays: CaseArrays) -> _State:
    """Flows by the ease of each branch from a header at some half of the pump's shut-off head."""
    shape = (len(network.runs), arrays.cases)
    shut_off = arrays.head_factor * arrays.speed**2 * network.pump.shut_off_m
    lift = np.maximum(arrays.sump_m + 0.55 * shut_off - arrays.outlet_m, 0.05 * shut_off + 0.01)
    flow = np.empty(shape)
    flow[:] = np.sqrt(lift / _typical_quadratic(network, arrays))
    flow[np.broadcast_to(arrays.closed, shape)] = 0.0
    total = np.zeros(arrays.cases)
    flow[network.end >= 0] = 0.0
    for run in reversed(network.outward):
        parent = network.parent[run]
        if parent < 0:
            total += flow[run]
        else:
            flow[parent] += flow[run]
    widest = 0.7 * network.pump.widest_m3s * arrays.speed * arrays.flow_factor
    shrink = np.minimum(1.0, widest / np.maximum(total, 1e-12))
    state = _empty_state(network, arrays.cases)
    np.multiply(flow, shrink, out=state.flow)
    np.multiply(total, shrink, out=state.pump_flow)
    return state


def _empty_state(network: Network, cases: int) -> _State:
    return _State(
        flow=np.empty((len(network.runs), cases)),
        pump_flow=np.empty(cases),
        head=np.empty((len(network.nodes), cases)),
        residual=np.full(cases, np.inf),
        iterations=np.zeros(cases, dtype=np.int64),
        converged=np.zeros(cases, dtype=np.bool_),
    )


def _typical_quadratic(network: Network, arrays: CaseArrays) -> Floats:
    """[R, 1 or B] loss over flow squared at a typical friction factor, s2/m5, never 0."""
    friction = np.add.reduceat(arrays.friction_s2_m5, network.segments.first, axis=0)
    return arrays.quadratic_s2_m5 + _TYPICAL_FRICTION_FACTOR * friction + 1.0


def _iterate(network: Network, arrays: CaseArrays, state: _State, effort: _Effort) -> None:
    """Newton steps until every case has converged or the steps run out; leaves residuals of the last flows."""
    curve = FrictionCurve.of(
        (network.segments.roughness_m / network.segments.bore_m)[:, None], law=network.constants.law
    )
    tolerance = RESIDUAL_TOLERANCE * _head_scale(network, arrays)
    typical = _typical_quadratic(network, arrays)
    for step in range(effort.steps + 1):
        links = _linearised(network, arrays, curve, state)
        if step:
            left_over = _left_over(network, arrays, state, links)
            state.residual = np.abs(left_over).max(axis=0)
            state.converged = state.residual <= tolerance
            if step == effort.steps or state.converged.all():
                return
            if effort.guarded:
                links.slope_s_m2 = np.maximum(links.slope_s_m2, np.sqrt(typical * np.abs(left_over[:-1])))
        state.iterations += ~state.converged if step else 1
        _advance(network, arrays, state, links, damping=effort.share(step))


def _advance(network: Network, arrays: CaseArrays, state: _State, links: Links, *, damping: float) -> None:
    now = balance(network, links, outlet_m=arrays.outlet_m, sump_m=arrays.sump_m)
    state.head = now.head_m
    if damping == 1.0:
        state.flow, state.pump_flow = now.flow_m3s, now.pump_flow_m3s
    else:
        state.flow = state.flow + damping * (now.flow_m3s - state.flow)
        state.pump_flow = state.pump_flow + damping * (now.pump_flow_m3s - state.pump_flow)


def _linearised(network: Network, arrays: CaseArrays, curve: FrictionCurve, state: _State) -> Links:
    """Losses and slopes at the present flows."""
    flow = state.flow
    size = np.abs(flow)
    one_bore_a_run = network.segments.run.size == len(network.runs)
    along = np.maximum(size, 1e-15)
    if not one_bore_a_run:
        along = along[network.segments.run]
    factor, log_slope = curve.at(arrays.reynolds_s_m3 * along)
    friction = arrays.friction_s2_m5 * factor * along
    friction_slope = friction * (2.0 + log_slope)
    if not one_bore_a_run:
        friction = np.add.reduceat(friction, network.segments.first, axis=0)
        friction_slope = np.add.reduceat(friction_slope, network.segments.first, axis=0)
    quadratic = arrays.quadratic_s2_m5 * size
    linear = arrays.linear_s_m2 + _LEAST_SLOPE_S_M2
    loss = (friction + quadratic + linear) * flow
    slope = friction_slope + 2.0 * quadratic + linear
    held = _hold_shut(network, arrays, state, loss, slope)
    pump, pump_slope = _pump_link(network, arrays, state)
    return Links(
        flow_m3s=flow,
        pump_flow_m3s=state.pump_flow,
        loss_m=loss,
        slope_s_m2=slope,
        held=held,
        pump_head_m=pump,
        pump_slope_s_m2=pump_slope,
    )


def _hold_shut(network: Network, arrays: CaseArrays, state: _State, loss: Floats, slope: Floats) -> Bools | None:
    """Make links that are closed, and one-way runs with flow backward, all but impassable."""
    held = (network.one_way[:, None] & (state.flow < 0.0)) | arrays.closed
    if not held.any():
        return None
    loss += np.where(held, state.shut * state.flow, 0.0)
    slope += np.where(held, state.shut, 0.0)
    return held


def _pump_link(network: Network, arrays: CaseArrays, state: _State) -> tuple[Floats, Floats]:
    """Head added and its fall with flow; a stopped pump, and one that is overcome by the head, is held shut."""
    flow = state.pump_flow
    head, slope = pump_head(
        network.pump,
        np.maximum(flow, 0.0),
        speed=arrays.speed,
        head_factor=arrays.head_factor,
        flow_factor=arrays.flow_factor,
    )
    fall = np.maximum(-slope, _LEAST_SLOPE_S_M2)
    held = (flow < 0.0) | arrays.pump_closed
    if held.any():
        head = np.where(held, np.where(arrays.pump_closed, 0.0, head) - state.shut * flow, head)
        fall = np.where(held, state.shut, fall)
    return head, fall


def _left_over(network: Network, arrays: CaseArrays, state: _State, links: Links) -> Floats:
    """[R + 1, B] head left over on every run, and on the pump in the last row.

    Any head may stand on a closed link. One that holds water back is wrong only if the head would open it.
    """
    left = np.empty((len(network.runs) + 1, arrays.cases))
    drop = state.head[network.start] - arrays.outlet_m
    for run in np.flatnonzero(network.end >= 0):
        drop[run] = state.head[network.start[run]] - state.head[network.end[run]]
    np.subtract(links.loss_m, drop, out=left[:-1])
    if links.held is not None:
        opening = np.where(arrays.closed, 0.0, np.maximum(drop, 0.0))
        left[:-1] = np.where(links.held, -opening, left[:-1])
    lift = state.head[0] - arrays.sump_m
    left[-1] = lift - links.pump_head_m
    backward = state.pump_flow < 0.0
    if backward.any() or arrays.pump_closed.any():
        at_rest = links.pump_head_m + state.shut * state.pump_flow
        left[-1] = np.where(backward, np.minimum(lift - at_rest, 0.0), left[-1])
        left[-1] = np.where(arrays.pump_closed, 0.0, left[-1])
    return left


def _head_scale(network: Network, arrays: CaseArrays) -> Floats:
    """[1 or B] the largest head about, m."""
    shut_off = arrays.head_factor * arrays.speed**2 * network.pump.shut_off_m
    largest: Floats = np.maximum(np.maximum(shut_off, np.nanmax(np.abs(arrays.outlet_m), axis=0)), 1e-3)
    return largest


def _put(state: _State, cases: Ints, rest: _State) -> None:
    state.flow[:, cases] = rest.flow
    state.head[:, cases] = rest.head
    state.pump_flow[cases] = rest.pump_flow
    state.residual[cases] = rest.residual
    state.iterations[cases] += rest.iterations
    state.converged[cases] = rest.converged


def _solution(network: Network, arrays: CaseArrays, parts: list[_State], conditions: Conditions) -> Solution:
    flow = np.concatenate([part.flow for part in parts], axis=1)
    pump_flow = np.concatenate([part.pump_flow for part in parts])
    head = np.concatenate([part.head for part in parts], axis=1)
    mass = _mass_residual(network, flow, pump_flow)
    converged = np.concatenate([part.converged for part in parts])
    flow[np.abs(flow) < _NO_FLOW_M3S] = 0.0
    pump_flow[np.abs(pump_flow) < _NO_FLOW_M3S] = 0.0
    largest = np.maximum(np.abs(flow).max(axis=0), _NO_FLOW_M3S / RESIDUAL_TOLERANCE)
    return Solution(
        flow_m3s=np.ascontiguousarray(flow.T),
        head_m=np.ascontiguousarray(head.T),
        pump_flow_m3s=pump_flow,
        pump_head_m=head[0] - arrays.sump_m,
        energy_residual_m=np.concatenate([part.residual for part in parts]),
        mass_residual_m3s=mass,
        iterations=np.concatenate([part.iterations for part in parts]),
        converged=converged & (mass <= RESIDUAL_TOLERANCE * largest),
        conditions=conditions,
    )


def _mass_residual(network: Network, flow: Floats, pump_flow: Floats) -> Floats:
    """[B] largest difference between what reaches a node and what leaves it, m3/s."""
    surplus = np.zeros((len(network.nodes), flow.shape[1]))
    surplus[0] = pump_flow
    for run, node in enumerate(network.end):
        surplus[network.start[run]] -= flow[run]
        if node >= 0:
            surplus[node] += flow[run]
    worst: Floats = np.abs(surplus).max(axis=0)
    return worst

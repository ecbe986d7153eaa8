"""Balancing: what the throttles must cost for branches to get given flows, and the least pump that allows it.

Every branch with a throttle is given its flow; its throttle takes the head that is left over. Branches without one take
what they get beside these. All on [B] cases at once, so that a search costs a few batches.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.design.run_losses import head_wanted_m, pump_flow_m3s, run_flows_m3s, run_losses_m
from analysis.frames import Floats, Ints
from analysis.hydraulics.circuit import Bools
from analysis.hydraulics.network import Network
from analysis.hydraulics.pump import pump_head

SLACK_TOLERANCE_M = 1e-9
_STEPS = 100
_SETTLED = 1e-9
_FIRST_SHARE = 0.5
_MOST_CHANGE = 0.9  # of a flow in one step toward nought: losses are flat there, and a full step would leap past it
_LEAST_CHANGE_M3S = 1e-7
_NO_FLOW_M3S = 1e-11
_LEAST_SCALE_M3S = 1e-7
_LEAST_SLOPE_S_M2 = 1e-4
_NUDGE = 1e-6
_POINTS = 33
_REFINEMENTS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """A network with its throttles open, and which branches they are on.

    Attributes:
        network: all throttles open.
        trimmed: [T] branches with a throttle that are given their flow. left: [F] branches that take what they get.
    """

    network: Network
    trimmed: Ints
    left: Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """B balanced cases.

    Attributes:
        flow_m3s: [B, R] flow of every run. pump_head_m: [B] what the pump gives at the sum.
        slack_m: [B, T] head left for each throttle beyond its open loss; below 0, the flow cannot be had.
        throttle_s2_m5: [B, T] what each throttle must cost more than open, h = c Q |Q|.
    """

    flow_m3s: Floats
    pump_head_m: Floats
    slack_m: Floats
    throttle_s2_m5: Floats


def balance(rig: Rig, wanted_m3s: Floats, speed: Floats) -> Balance:
    """Give each throttled branch its flow.

    Args:
        rig: the network.
        wanted_m3s: [B, T] flows > 0 of the branches with a throttle, m3/s.
        speed: [B] of the pump, fraction of full speed.
    """
    branch = np.zeros((speed.size, len(rig.network.runs)))
    branch[:, rig.trimmed] = wanted_m3s
    if rig.left.size:
        branch[:, rig.left] = _left_flows(rig, branch, speed)
    return _throttled(rig, branch, wanted_m3s, speed)


def _left_flows(rig: Rig, branch_m3s: Floats, speed: Floats) -> Floats:
    """[B, F] what branches without a throttle get beside the given flows of the others, below 0 for water that runs back.

    Newton's method on the head that each has left over. Its Jacobian, the slopes of the runs that two branches share
    and of the pump, is symmetric and positive definite, since every loss rises with flow and the pump's head falls.
    """
    way = _ways(rig)
    branch = branch_m3s.copy()
    flow = np.full((speed.size, rig.left.size), _FIRST_SHARE * rig.network.pump.widest_m3s / rig.left.size)
    flow *= speed[:, None]
    one_way = rig.network.one_way[rig.left]
    for _ in range(_STEPS):
        branch[:, rig.left] = flow
        over, slopes = _left_over(rig, branch, speed, way)
        held = one_way & (flow <= _NO_FLOW_M3S) & (over <= 0.0)
        step = _newton_step(slopes, np.where(held, 0.0, over), held)
        bound = _MOST_CHANGE * np.abs(flow) + _LEAST_CHANGE_M3S
        moved = np.where(step < 0.0, flow + np.maximum(step, -bound), flow + step)
        moved = np.where(flow < 0.0, flow + np.clip(step, -2.0 * bound, bound), moved)
        moved = np.where(one_way, np.maximum(moved, _NO_FLOW_M3S), moved)
        settled = np.abs(moved - flow).max(axis=1) <= _SETTLED * np.maximum(np.abs(moved).sum(axis=1), _LEAST_SCALE_M3S)
        flow = moved
        if settled.all():
            break
    return np.where(one_way & (flow <= _NO_FLOW_M3S), 0.0, flow)


def _ways(rig: Rig) -> Floats:
    """[F, R] 1 for every run on the way from the pump to a branch without a throttle."""
    way = np.zeros((rig.left.size, len(rig.network.runs)))
    for place, branch in enumerate(rig.left):
        run = int(branch)
        while run >= 0:
            way[place, run] = 1.0
            run = int(rig.network.parent[run])
    return way


def _left_over(rig: Rig, branch_m3s: Floats, speed: Floats, way: Floats) -> tuple[Floats, Floats]:
    """[B, F] head that the pump gives over what each way takes, and [B, F, F] how that falls with each flow."""
    network = rig.network
    flow = run_flows_m3s(network, branch_m3s)
    loss = run_losses_m(network, flow)
    nudge = _NUDGE * np.abs(flow) + _NO_FLOW_M3S
    slope = (run_losses_m(network, flow + nudge) - loss) / nudge
    head, fall = pump_head(network.pump, pump_flow_m3s(network, flow), speed=speed)
    over = head[:, None] - loss @ way.T - network.outlet_m[rig.left]
    slopes = np.einsum("fr,br,gr->bfg", way, slope, way) - fall[:, None, None]
    return over, slopes


def _newton_step(slopes: Floats, over: Floats, held: Bools) -> Floats:
    """[B, F] change of the flows that are not held."""
    free = ~held
    count = over.shape[1]
    matrix = np.where(free[:, :, None] & free[:, None, :], slopes, 0.0)
    diagonal = np.arange(count)
    matrix[:, diagonal, diagonal] = np.where(held, 1.0, matrix[:, diagonal, diagonal] + _LEAST_SLOPE_S_M2)
    return np.asarray(np.linalg.solve(matrix, over[:, :, None])[:, :, 0], dtype=np.float64)


def _throttled(rig: Rig, branch_m3s: Floats, wanted_m3s: Floats, speed: Floats) -> Balance:
    """What is left for the throttles when every branch has its flow."""
    flow = run_flows_m3s(rig.network, branch_m3s)
    head, _ = pump_head(rig.network.pump, pump_flow_m3s(rig.network, flow), speed=speed)
    slack = head[:, None] - head_wanted_m(rig.network, run_losses_m(rig.network, flow), rig.trimmed)
    throttle = np.maximum(slack, 0.0) / wanted_m3s**2
    return Balance(flow_m3s=flow, pump_head_m=head, slack_m=slack, throttle_s2_m5=throttle)


def feasible(rig: Rig, balanced: Balance, needed_m3s: Floats) -> Bools:
    """[B] whether every throttle has head to spare and every other branch gets its [B, F] or [F] needed flow, m3/s.

    Args:
        rig: the network with its throttles open.
        balanced: B cases.
        needed_m3s: [B, F] or [F] flow that the branches without a throttle need, m3/s.

    Returns:
        [B].
    """
    spare = (balanced.slack_m >= -SLACK_TOLERANCE_M).all(axis=1)
    enough = (balanced.flow_m3s[:, rig.left] >= needed_m3s * (1.0 - _SETTLED)).all(axis=1)
    return np.asarray(spare & enough)


def first_true(test: Callable[[Floats], Bools], low: float, high: float) -> float | None:
    """The least value from low to high that passes a test which, once passed, stays passed; None if high fails.

    Each round asks for 33 values at once and narrows the range 32 times; five rounds leave 3e-8 of it.

    Args:
        test: of [33] values, which of them pass.
        low: least value.
        high: greatest value.

    Returns:
        The value, or None.
    """
    found = None
    for _ in range(_REFINEMENTS):
        values = np.linspace(low, high, _POINTS)
        passed = test(values)
        if not passed[-1] and found is None:
            return None
        first = int(np.argmax(passed)) if passed.any() else _POINTS - 1
        found = float(values[first])
        low, high = float(values[max(first - 1, 0)]), found
    return found

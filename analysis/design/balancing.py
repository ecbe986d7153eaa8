"""Balancing: what the throttles must cost for branches to get given flows, and the least pump that allows it.

Every branch with a throttle is given its flow; its throttle takes the head that is left over. Branches without one take
what they get, which the solver finds. All on [B] cases at once, so that a search costs a few batches.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.design.run_losses import head_wanted_m, pump_flow_m3s, run_flows_m3s, run_losses_m
from analysis.frames import Floats, Ints
from analysis.hydraulics.circuit import Bools
from analysis.hydraulics.network import Conditions, Network, solve
from analysis.hydraulics.pump import pump_head

SLACK_TOLERANCE_M = 1e-9
_ROUNDS = 60
_SETTLED = 1e-9
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

    The flows of branches without a throttle and the throttles' losses depend on one another: each is found from the
    other in turn until they agree. Without such branches one turn is exact.

    Args:
        rig: the network.
        wanted_m3s: [B, T] flows > 0 of the branches with a throttle, m3/s.
        speed: [B] of the pump, fraction of full speed.
    """
    network = rig.network
    branch = np.zeros((speed.size, len(network.runs)))
    branch[:, rig.trimmed] = wanted_m3s
    if rig.left.size:
        branch[:, rig.left] = _left_flows(rig, np.zeros_like(wanted_m3s), speed)
    now = _throttled(rig, branch, wanted_m3s, speed)
    for _ in range(_ROUNDS if rig.left.size else 0):
        before = branch[:, rig.left]
        branch[:, rig.left] = _left_flows(rig, now.throttle_s2_m5, speed)
        now = _throttled(rig, branch, wanted_m3s, speed)
        scale = np.maximum(pump_flow_m3s(network, now.flow_m3s), _SETTLED)
        if (np.abs(branch[:, rig.left] - before).max(axis=1) <= _SETTLED * scale).all():
            break
    return now


def _left_flows(rig: Rig, throttle_s2_m5: Floats, speed: Floats) -> Floats:
    """[B, F] what branches without a throttle get when the others' throttles cost this much; 0 for water run back."""
    added = np.zeros((speed.size, len(rig.network.runs)))
    added[:, rig.trimmed] = throttle_s2_m5
    flow = solve(rig.network, Conditions(speed=speed, added_k=added)).flow_m3s[:, rig.left]
    return np.maximum(flow, 0.0)


def _throttled(rig: Rig, branch_m3s: Floats, wanted_m3s: Floats, speed: Floats) -> Balance:
    """What is left for the throttles when every branch has its flow."""
    flow = run_flows_m3s(rig.network, branch_m3s)
    head, _ = pump_head(rig.network.pump, pump_flow_m3s(rig.network, flow), speed=speed)
    slack = head[:, None] - head_wanted_m(rig.network, run_losses_m(rig.network, flow), rig.trimmed)
    throttle = np.maximum(slack, 0.0) / wanted_m3s**2
    return Balance(flow_m3s=flow, pump_head_m=head, slack_m=slack, throttle_s2_m5=throttle)


def feasible(rig: Rig, balanced: Balance, needed_m3s: Floats) -> Bools:
    """[B] whether every throttle has head to spare and every other branch gets its [B, F] or [F] needed flow, m3/s."""
    spare = (balanced.slack_m >= -SLACK_TOLERANCE_M).all(axis=1)
    enough = (balanced.flow_m3s[:, rig.left] >= needed_m3s * (1.0 - _SETTLED)).all(axis=1)
    return np.asarray(spare & enough)


def first_true(test: Callable[[Floats], Bools], low: float, high: float) -> float | None:
    """The least value from low to high that passes a test which, once passed, stays passed; None if high fails.

    Each round asks for 33 values at once and narrows the range 32 times; five rounds leave 3e-8 of it.
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

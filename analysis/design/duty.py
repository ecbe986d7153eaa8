"""The duty point: the least flow and head that a pump must give, and the speed at which a given one does."""

from dataclasses import dataclass

import numpy as np

from analysis.design.balancing import Balance, balance, first_true
from analysis.design.run_losses import head_wanted_m, pump_flow_m3s, run_losses_m
from analysis.design.targets import AT_NEED, Targets
from analysis.frames import Floats
from analysis.hydraulics.pump import pump_head
from analysis.prediction import MEDIA_SPREAD, PUMP_FLOW_SPREAD, PUMP_HEAD_SPREAD, RUN_SPREAD
from config.errors import InputUnusable

LEAST_SPEED = 0.02
_WIDEST = 64.0
_DRAWS = 400
_SEED = 20_262
_INTERVAL = (0.05, 0.95)
_BISECTIONS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """What a pump must give.

    Attributes:
        flow_m3s: all branches together.
        head_m: at the pump's outlet above the sump's level. low_head_m, high_head_m: its 90 % interval, for catalogue
            losses stray.
        speed: fraction of full speed at which the plant's own pump just does it; above `limit_speed` it cannot.
        low_speed, high_speed: 90 % interval of that, the spread of pump curves included.
        limit_speed: the fastest that it was let run.
        hungriest: the branch that decides the head: its throttle is fully open.
    """

    flow_m3s: float
    head_m: float
    low_head_m: float
    high_head_m: float
    speed: float
    low_speed: float
    high_speed: float
    limit_speed: float
    hungriest: str

    @property
    def reached(self) -> bool:
        """Whether the plant's own pump does it."""
        return self.speed <= self.limit_speed


def duty_point(targets: Targets, *, limit_speed: float) -> Duty:
    """The least flow and head at which every branch gets what it needs.

    Found as the least speed of the plant's pump that does it, be it faster than the pump can run: the flow and head
    there are the system's own and hold for any pump.

    Args:
        targets: of the plant.
        limit_speed: the fastest that its pump may run, fraction of full speed.

    Raises:
        InputUnusable: no pump does it.
    """
    speed = _least_speed(targets, limit_speed)
    now = balance(targets.rig, targets.need_m3s[None], np.array([speed]))
    flow = float(pump_flow_m3s(targets.rig.network, now.flow_m3s)[0])
    heads = _drawn_heads(targets, now)
    low_head, high_head = np.quantile(heads, _INTERVAL)
    low_speed, high_speed = np.quantile(_drawn_speeds(targets, flow, heads), _INTERVAL)
    return Duty(
        flow_m3s=flow,
        head_m=float(now.pump_head_m[0]),
        low_head_m=float(low_head),
        high_head_m=float(high_head),
        speed=speed,
        low_speed=float(low_speed),
        high_speed=float(high_speed),
        limit_speed=limit_speed,
        hungriest=_hungriest(targets, now),
    )


def _least_speed(targets: Targets, limit_speed: float) -> float:
    top = limit_speed
    while top <= _WIDEST * limit_speed:
        found = first_true(lambda speed: targets.can_be_had(AT_NEED, speed), min(LEAST_SPEED, 0.5 * top), top)
        if found is not None:
            return found
        top *= 2.0
    raise InputUnusable("no pump, however strong, gives every branch its target: is a run shut off?")


def _hungriest(targets: Targets, now: Balance) -> str:
    """The branch with least to spare, as a share of the head or of the flow that it needs."""
    slack = now.slack_m[0] / max(float(now.pump_head_m[0]), 1e-6)
    needs = targets.left_need_m3s > 0.0
    spare = now.flow_m3s[0, targets.rig.left[needs]] / targets.left_need_m3s[needs] - 1.0
    return targets.rig.network.runs[targets.needy[int(np.argmin([*slack, *spare]))]]


def _drawn_heads(targets: Targets, now: Balance) -> Floats:
    """[D] head that the flows of the duty point take in plants with losses drawn about the catalogue's."""
    network = targets.rig.network
    flow = now.flow_m3s.copy()
    flow[:, targets.rig.left] = np.where(targets.left_need_m3s > 0.0, targets.left_need_m3s, 0.0)
    random = np.random.default_rng(_SEED)
    shape = (_DRAWS, len(network.runs))
    losses = run_losses_m(
        network,
        np.broadcast_to(flow, shape),
        resistance=np.exp(RUN_SPREAD * random.standard_normal(shape)),
        media_resistance=np.exp(MEDIA_SPREAD * random.standard_normal(shape)),
    )
    heads: Floats = head_wanted_m(network, losses, np.array(targets.needy)).max(axis=1)
    return heads


def _drawn_speeds(targets: Targets, flow_m3s: float, heads_m: Floats) -> Floats:
    """[D] speed at which the plant's pump, its curve drawn too, gives the flow at [D] heads; by bisection."""
    random = np.random.default_rng(_SEED + 1)
    head_factor, flow_factor = (
        np.exp(spread * random.standard_normal(heads_m.size)) for spread in (PUMP_HEAD_SPREAD, PUMP_FLOW_SPREAD)
    )
    low, high = np.zeros_like(heads_m), np.full_like(heads_m, 2.0 * _WIDEST)
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        flow = np.full_like(heads_m, flow_m3s)
        given, _ = pump_head(
            targets.rig.network.pump, flow, speed=middle, head_factor=head_factor, flow_factor=flow_factor
        )
        enough = given >= heads_m
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return high

"""Sizing: the least pump that gives every branch its flow, and the valve openings that share the flow out."""

from dataclasses import dataclass, replace

import numpy as np

from analysis.design.balancing import Balance, balance, first_true
from analysis.design.duty import LEAST_SPEED, Duty, duty_point
from analysis.design.obstacles import Obstacle, ObstacleKind, beyond_reach, short_of_head, untamed
from analysis.design.targets import AT_AIM, AT_NEED, Targets, targets_of
from analysis.design.throttles import MOST_DEG, Throttle, turned
from analysis.prediction import Prediction, predict
from config.plant import Plant

ONE_SIZE = 1.25  # common practice, no source: the next bigger pump gives about a quarter more flow and head
FULL_SPEED = 1.0
_LEAST_SHARE = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """Where to set one throttle.

    Attributes:
        throttle: the valve. closed_deg: turn from open. k: K there.
        aim_m3s: the flow that this is for.
    """

    throttle: Throttle
    closed_deg: float
    k: float
    aim_m3s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Balanced:
    """A plant with its throttles set.

    Attributes:
        speed: of the pump, fraction of full speed.
        share: how much of the flows aimed at is had: 0..1 scales what the branches need, 1..2 leads from there to what
            they are balanced to.
        openings: of the throttles. plant: as set. prediction: its flows with their intervals.
    """

    speed: float
    share: float
    openings: tuple[Opening, ...]
    plant: Plant
    prediction: Prediction

    @property
    def needs_met(self) -> bool:
        """Whether every branch gets its low target with the margin."""
        return self.share >= AT_NEED

    @property
    def aims_met(self) -> bool:
        """Whether every branch gets the flow that it is balanced to."""
        return self.share >= AT_AIM


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizing:
    """What a plant needs of its pump, and how it is balanced.

    Attributes:
        margin: share that every branch is to get above its low target.
        duty: the least that does it.
        bigger_flow_m3s, bigger_head_m: one size bigger; None unless asked for.
        balanced: the plant with its throttles set.
        untrimmable: branches without a hand valve, which take what they get.
        untouched: branches with a valve and without a target, left as they stand.
        obstacles: what cannot be had from the plant's pump, and why.
    """

    margin: float
    duty: Duty
    bigger_flow_m3s: float | None
    bigger_head_m: float | None
    balanced: Balanced
    untrimmable: tuple[str, ...]
    untouched: tuple[str, ...]
    obstacles: tuple[Obstacle, ...]


def size(
    plant: Plant, *, margin: float = 0.1, fixed_speed: float | None = None, one_size_bigger: bool = False
) -> Sizing:
    """Find the least pump, the speed at which the plant's own does it, and the valve openings.

    All hand valves of inner runs and of branches with a target count as open but for one throttle a branch. The plant
    is balanced at the least speed that gives every branch the flow it is balanced to (see `targets.need_and_aim`); at
    the fastest, to as much of it as can be had, where there is no such speed.

    Args:
        plant: as built.
        margin: share above the low target, >= 0.
        fixed_speed: fraction of full speed to balance at, whatever would do.
        one_size_bigger: also say what one size bigger is.

    Raises:
        InputUnusable: no branch has a target, or no pump reaches them.
        NoSolution: the balanced plant has no operating point.
    """
    limit = max(FULL_SPEED, plant.pump.speed) if fixed_speed is None else fixed_speed
    targets = targets_of(plant, margin=margin)
    network = targets.rig.network
    duty = duty_point(targets, limit_speed=limit)
    too_high = beyond_reach(network, targets.needy, speed=limit)
    hopeless = frozenset(obstacle.run for obstacle in too_high)
    within = targets_of(plant, margin=margin, without=hopeless) if hopeless else targets
    starved, starved_runs = _starved(within, limit)
    if starved_runs:
        within = targets_of(plant, margin=margin, without=hopeless | starved_runs)
    balanced = _balanced(within, limit_speed=limit, fixed=fixed_speed is not None)
    full = balance(within.rig, within.need_m3s[None], np.array([limit]))
    return Sizing(
        margin=margin,
        duty=duty,
        bigger_flow_m3s=ONE_SIZE * duty.flow_m3s if one_size_bigger else None,
        bigger_head_m=ONE_SIZE * duty.head_m if one_size_bigger else None,
        balanced=balanced,
        untrimmable=targets.valveless,
        untouched=targets.untouched,
        obstacles=(
            *too_high,
            *starved,
            *short_of_head(within.rig, full),
            *_too_coarse(balanced),
            *untamed(targets.rig, targets.left_need_m3s, balanced.prediction),
        ),
    )


def duty_of(plant: Plant, *, margin: float = 0.1) -> Duty:
    """The duty point alone (see `size`).

    Args:
        plant: as built.
        margin: share above the low target, >= 0.

    Raises:
        InputUnusable: no branch has a target, or no pump reaches them.
    """
    return duty_point(targets_of(plant, margin=margin), limit_speed=max(FULL_SPEED, plant.pump.speed))


def _balanced(targets: Targets, *, limit_speed: float, fixed: bool) -> Balanced:
    """As much as can be had at the fastest speed; where that is all, at the least speed that gives it."""
    share = _largest_share(targets, limit_speed)
    speed = limit_speed
    if share >= AT_AIM and not fixed:
        low = min(LEAST_SPEED, 0.5 * limit_speed)
        speed = first_true(lambda slower: targets.can_be_had(AT_AIM, slower), low, limit_speed) or limit_speed
    now = balance(targets.rig, targets.wanted_m3s(np.array([share])), np.array([speed]))
    openings = _openings(targets, now)
    plant = turned(targets.plant, {opening.throttle: opening.closed_deg for opening in openings})
    plant = replace(plant, pump=replace(plant.pump, speed=speed))
    return Balanced(speed=speed, share=share, openings=openings, plant=plant, prediction=predict(plant))


def _starved(targets: Targets, limit_speed: float) -> tuple[tuple[Obstacle, ...], frozenset[str]]:
    """Branches that are not helped at full speed even if those with a valve are given next to nothing: left out.

    With a valve, those that get nothing then; without one, those that still get less than they need.

    Returns:
        What to say of those with a valve, and the names of all.
    """
    rig, share = targets.rig, np.array([_LEAST_SHARE])
    least = balance(rig, targets.wanted_m3s(share), np.array([limit_speed]))
    short = short_of_head(rig, least)
    dry = least.flow_m3s[0, rig.left] < targets.left_need_m3s
    valveless = {rig.network.runs[int(run)] for run in rig.left[dry]}
    return short, frozenset(obstacle.run for obstacle in short) | valveless


def _largest_share(targets: Targets, speed: float) -> float:
    """Largest share that can be had at a speed; next to none if not even that."""
    forgone = first_true(lambda less: targets.can_be_had(AT_AIM - less, speed), 0.0, AT_AIM - _LEAST_SHARE)
    return _LEAST_SHARE if forgone is None else AT_AIM - forgone


def _too_coarse(balanced: Balanced) -> tuple[Obstacle, ...]:
    """Branches whose valve, all but shut, still passes more than they are balanced to."""
    return tuple(
        Obstacle(
            run=opening.throttle.name,
            kind=ObstacleKind.VALVE_TOO_COARSE,
            wanted=opening.aim_m3s,
            given=balanced.prediction.runs[opening.throttle.run].flow_m3s,
        )
        for opening in balanced.openings
        if opening.closed_deg >= MOST_DEG
    )


def _openings(targets: Targets, now: Balance) -> tuple[Opening, ...]:
    openings = []
    for throttle, added, flow in zip(
        targets.throttles, now.throttle_s2_m5[0], now.flow_m3s[0, targets.rig.trimmed], strict=True
    ):
        angle_deg = throttle.turn_deg(float(added))
        openings.append(Opening(throttle=throttle, closed_deg=angle_deg, k=throttle.k(angle_deg), aim_m3s=float(flow)))
    return tuple(openings)

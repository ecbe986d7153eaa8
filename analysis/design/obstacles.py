"""What cannot be had from a plant's pump, and why."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from analysis.design.balancing import SLACK_TOLERANCE_M, Balance, Rig
from analysis.frames import Floats
from analysis.hydraulics.network import Network
from analysis.prediction import Prediction, Verdict

_NEARLY = 1.0 - 1e-6


class ObstacleKind(StrEnum):
    """Why a branch cannot get its flow."""

    OUTLET_TOO_HIGH = "outlet too high"
    HEAD_SHORT = "head short"
    VALVE_TOO_COARSE = "valve too coarse"
    NO_VALVE_TOO_LOW = "too little without a valve"
    NO_VALVE_TOO_HIGH = "too much without a valve"


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """One branch that cannot get its flow.

    Attributes:
        run: the branch. kind: why.
        wanted, given: what it would take and what there is: heads, m, for the first two kinds; flows, m3/s, for the
            others.
    """

    run: str
    kind: ObstacleKind
    wanted: float
    given: float


def beyond_reach(network: Network, branches: tuple[int, ...], *, speed: float) -> tuple[Obstacle, ...]:
    """Branches whose outlets stand higher than the pump lifts at no flow.

    Args:
        network: the network.
        branches: indices of those that need flow.
        speed: of the pump, fraction of full speed.
    """
    lift = network.pump.shut_off_m * speed**2
    return tuple(
        Obstacle(
            run=network.runs[run], kind=ObstacleKind.OUTLET_TOO_HIGH, wanted=float(network.outlet_m[run]), given=lift
        )
        for run in branches
        if network.outlet_m[run] >= lift
    )


def short_of_head(rig: Rig, full: Balance) -> tuple[Obstacle, ...]:
    """Branches that have less head than they take with their valve open when all get what they need.

    Args:
        rig: the network with its throttles open.
        full: one case, all branches at what they need, at the fastest that the pump may run.
    """
    head = float(full.pump_head_m[0])
    return tuple(
        Obstacle(
            run=rig.network.runs[run], kind=ObstacleKind.HEAD_SHORT, wanted=head - float(slack), given=max(head, 0.0)
        )
        for run, slack in zip(rig.trimmed, full.slack_m[0], strict=True)
        if slack < -SLACK_TOLERANCE_M
    )


def untamed(rig: Rig, needed_m3s: Floats, prediction: Prediction) -> tuple[Obstacle, ...]:
    """Branches without a throttle that miss their target in the balanced plant.

    Args:
        rig: the network with its throttles open.
        needed_m3s: [F] what the branches without a throttle need, m3/s, 0 for nothing.
        prediction: of the balanced plant.
    """
    found = []
    for run, needed in zip(rig.left, np.asarray(needed_m3s), strict=True):
        told = prediction.runs[int(run)]
        if told.flow_m3s < needed * _NEARLY:
            kind, bound = ObstacleKind.NO_VALVE_TOO_LOW, float(needed)
        elif told.verdict is Verdict.TOO_HIGH and told.target is not None and told.target.high_m3s is not None:
            kind, bound = ObstacleKind.NO_VALVE_TOO_HIGH, told.target.high_m3s
        else:
            continue
        found.append(Obstacle(run=told.name, kind=kind, wanted=bound, given=told.flow_m3s))
    return tuple(found)

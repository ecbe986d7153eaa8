"""What every branch is to get, and which of them a throttle can be set for."""

from dataclasses import dataclass

import numpy as np

from analysis.design.balancing import Rig, balance, feasible
from analysis.design.throttles import Throttle, opened, throttle_place, throttles_of
from analysis.frames import Floats
from analysis.hydraulics.circuit import Bools
from analysis.hydraulics.network import compile_network
from config.errors import InputUnusable
from config.plant import Plant, Run

AT_NEED = 1.0
AT_AIM = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Targets:
    """The plant with its throttles open, and what its branches need and aim at.

    Attributes:
        plant: with the hand valves of inner runs and of branches with a target open.
        rig: its network; the trimmed branches are those of the throttles, in the same order.
        throttles: T of them. need_m3s, aim_m3s: [T] flows > 0.
        left_need_m3s: [F] what branches without a throttle need, 0 for nothing.
        valveless, untouched: names of branches that take what they get, for want of a valve or of a target.
    """

    plant: Plant
    rig: Rig
    throttles: tuple[Throttle, ...]
    need_m3s: Floats
    aim_m3s: Floats
    left_need_m3s: Floats
    valveless: tuple[str, ...]
    untouched: tuple[str, ...]

    @property
    def needy(self) -> tuple[int, ...]:
        """Indices of the branches that need flow."""
        left = self.rig.left[self.left_need_m3s > 0.0]
        return (*map(int, self.rig.trimmed), *map(int, left))

    def wanted_m3s(self, share: Floats) -> Floats:
        """[B, T] flows at [B] shares: what is needed scaled up to 1, from there on toward what is aimed at, at 2.

        Args:
            share: [B] 0..2.

        Returns:
            [B, T] flows, m3/s.
        """
        first, second = np.minimum(share, AT_NEED)[:, None], np.maximum(share - AT_NEED, 0.0)[:, None]
        return np.asarray(first * self.need_m3s + second * (self.aim_m3s - self.need_m3s))

    def can_be_had(self, share: float | Floats, speed: float | Floats) -> Bools:
        """[B] whether shares can be had at speeds, either of them [B].

        Args:
            share: 0..2, a scalar or [B].
            speed: fraction of full speed, a scalar or [B].

        Returns:
            [B].
        """
        shares, speeds = np.broadcast_arrays(np.asarray(share, np.float64), np.asarray(speed, np.float64))
        needed = np.minimum(shares, AT_NEED)[:, None] * self.left_need_m3s
        return feasible(self.rig, balance(self.rig, self.wanted_m3s(shares), speeds), needed)


def targets_of(plant: Plant, *, margin: float, without: frozenset[str] = frozenset()) -> Targets:
    """Read the targets of a plant and open its throttles.

    Args:
        plant: as built.
        margin: share above the low target that a branch needs.
        without: branches to take as if they had no target.

    Raises:
        InputUnusable: no branch has a target.
    """
    wanted = {run.name: need_and_aim(run, margin=margin) for run in plant.branches if run.name not in without}
    targeted = frozenset(name for name, (need_m3s, _) in wanted.items() if need_m3s > 0.0)
    if not targeted and not without:
        raise InputUnusable(
            'no branch has a target, so there is nothing to size for: write target = { low = "..." } into its run'
        )
    open_plant = opened(plant, targeted | {run.name for run in plant.runs if not run.is_branch})
    network = compile_network(open_plant)
    throttles = throttles_of(plant, network, targeted)
    trimmed = [throttle.run for throttle in throttles]
    left = [index for index, run in enumerate(plant.runs) if run.is_branch and index not in trimmed]
    names = [plant.runs[index].name for index in left]
    valved = [plant.runs[index].name for index in left if throttle_place(plant.runs[index]) is not None]
    return Targets(
        plant=open_plant,
        rig=Rig(network=network, trimmed=np.array(trimmed, np.int64), left=np.array(left, np.int64)),
        throttles=throttles,
        need_m3s=np.array([wanted[throttle.name][0] for throttle in throttles]),
        aim_m3s=np.array([wanted[throttle.name][1] for throttle in throttles]),
        left_need_m3s=np.array([wanted[name][0] if name in targeted else 0.0 for name in names]),
        valveless=tuple(name for name in names if name not in valved),
        untouched=tuple(name for name in valved if name not in without),
    )


def need_and_aim(run: Run, *, margin: float) -> tuple[float, float]:
    """Flow that a branch needs at least, and flow that it is balanced to, m3/s; noughts without a target.

    It needs its low target and the margin, but never more than its high target; it is balanced to the middle of its target, or to what it needs if that is
    more or there is no high target. With a high target alone, both are half of that.

    Args:
        run: a branch.
        margin: share above the low target.

    Returns:
        Both flows, m3/s.
    """
    low = run.target.low_m3s if run.target is not None else None
    high = run.target.high_m3s if run.target is not None else None
    if not low:
        return (0.5 * high, 0.5 * high) if high else (0.0, 0.0)
    need = min(low * (1.0 + margin), high or np.inf)
    return need, max(need, 0.5 * (low + high)) if high else need

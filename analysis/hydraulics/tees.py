"""Tees by how the flow splits at them, as handbooks have it since 2009: K on the velocity head of the combined flow.

A constant K on a branch's own bore says too little where a small branch leaves a full header, and too much of the flow
that passes straight on. Here the loss of a run that leaves a tee depends on two flows, its own and that of the run that
feeds the tee, with both slopes at hand.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.frames import Floats, Ints

Bools = NDArray[np.bool_]

_WYE_BELOW_DEG = 75.0  # the source knows 30 to 60 and 90 degrees; half way between, one gives way to the other
_JOINING_DEG = (30.0, 45.0, 60.0, 90.0)
_JOINING_TERM = (1.74, 1.41, 1.0, 0.0)
_SMALL_BETA = 2.0 / 3.0


def dividing_branch_k(share: float | Floats, beta: float | Floats, *, angle_deg: float = 90.0) -> Floats:
    """K of the way into the branch of a dividing tee or wye, on the velocity head of the combined flow.

    Args:
        share: [...] flow of the branch over the combined flow, 0..1.
        beta: [...] bore of the branch over that of the run.
        angle_deg: between branch and run, degrees.

    Returns:
        [...] K, in the shape that both broadcast to. Nothing is raised.

    Source: Crane TP-410 (2009 and later, with its errata), chapter 2, dividing flow.
    """
    if angle_deg >= _WYE_BELOW_DEG:
        return _branch_of_tee(np.asarray(share, np.float64), np.asarray(beta, np.float64))[0]
    q, square = np.asarray(share, np.float64), np.asarray(beta, np.float64) ** 2
    narrow = np.where(q <= 0.4, 1.1 - 0.7 * q, 0.85)  # noqa: PLR2004 - the source's limits
    wide = np.where(q <= 0.6, 1.0 - 0.6 * q, 0.6)  # noqa: PLR2004 - the source's limits
    factor = np.where(square <= 0.35, narrow, wide)  # noqa: PLR2004 - the source's limit
    speed = q / square
    return np.asarray(factor * (1.0 + speed**2 - 2.0 * speed * np.cos(np.radians(angle_deg))), np.float64)


def dividing_run_k(share: float | Floats, beta: float | Floats) -> Floats:
    """K of the way straight on through a dividing tee, on the velocity head of the combined flow; it may be negative.

    Args:
        share: [...] flow of the branch over the combined flow, 0..1.
        beta: [...] bore of the branch over that of the run.

    Returns:
        [...] K, in the shape that both broadcast to. Nothing is raised.

    Source: Crane TP-410 (2009 and later), chapter 2, dividing flow.
    """
    return _run_of_tee(np.asarray(share, np.float64), np.asarray(beta, np.float64))[0]


def joining_branch_k(share: float | Floats, beta: float | Floats, *, angle_deg: float = 90.0) -> Floats:
    """K of the way out of the branch of a joining tee or wye, on the velocity head of the combined flow.

    Args:
        share: [...] flow of the branch over the combined flow, 0..1.
        beta: [...] bore of the branch over that of the run.
        angle_deg: between branch and run, 30 to 90 degrees.

    Returns:
        [...] K, in the shape that both broadcast to. Nothing is raised.

    Source: Crane TP-410 (2009 and later, with its errata), chapter 2, converging flow.
    """
    q, square = np.asarray(share, np.float64), np.asarray(beta, np.float64) ** 2
    wide = np.where(q <= 0.4, 0.9 * (1.0 - q), 0.55)  # noqa: PLR2004 - the source's limits
    factor = np.where(square <= 0.35, 1.0, wide)  # noqa: PLR2004 - the source's limit
    pull = np.interp(angle_deg, _JOINING_DEG, _JOINING_TERM)
    k = factor * (1.0 + (q / square) ** 2 - 2.0 * (1.0 - q) ** 2 - pull / square * q**2)
    return np.asarray(k, np.float64)


def joining_run_k(share: float | Floats, beta: float | Floats, *, angle_deg: float = 90.0) -> Floats:
    """K of the way straight on through a joining tee or wye, on the velocity head of the combined flow.

    Args:
        share: [...] flow of the branch over the combined flow, 0..1.
        beta: [...] bore of the branch over that of the run.
        angle_deg: between branch and run, 30 to 90 degrees.

    Returns:
        [...] K, in the shape that both broadcast to. Nothing is raised.

    Source: Crane TP-410 (2009 and later), chapter 2, converging flow.
    """
    q, square = np.asarray(share, np.float64), np.asarray(beta, np.float64) ** 2
    if angle_deg >= _WYE_BELOW_DEG:
        return np.asarray(1.55 * q - q**2 + 0.0 * square, np.float64)
    pull = np.interp(angle_deg, _JOINING_DEG, _JOINING_TERM)
    return np.asarray(1.0 - (1.0 - q) ** 2 - pull / square * q**2, np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitTees:
    """T ways out of tees whose loss goes by the split: runs that start with a tee at a node that another run feeds.

    Attributes:
        run: [T] index of the run. feeder: [T] index of the run that feeds the tee.
        is_branch: [T] the run leaves at the side; else straight on.
        beta: [T] bore of the side way over that of the feeder.
        combined_s2_m5: [T] h = K c Q^2 with Q the feeder's flow.
        fixed_s2_m5: [T] loss by the constant K on the run's own bore, for what is no dividing flow.
        part: [T] how much of the loss there is: 1, but for a tee that is made to cost less.
    """

    run: Ints
    feeder: Ints
    is_branch: Bools
    beta: Floats
    combined_s2_m5: Floats
    fixed_s2_m5: Floats
    part: Floats


def tee_heads_m(tees: SplitTees, flow_m3s: Floats) -> tuple[Floats, Floats, Floats]:
    """Head lost at every tee, with its slopes.

    Dividing flow goes by its K. Where a way runs against the feeder's flow, or takes more than it, the loss goes on
    without a jump: the constant K's loss of that way on top of what stands at the border.

    Args:
        tees: T of them.
        flow_m3s: [R, B] flow of every run, m3/s.

    Returns:
        [T, B] head, m; its slope by the way's own flow and by the feeder's, s/m2. Nothing is raised.
    """
    own, combined = flow_m3s[tees.run], flow_m3s[tees.feeder]
    column = slice(None), None
    beta, side = tees.beta[column], tees.is_branch[column]
    scale, fixed = (tees.part * tees.combined_s2_m5)[column], (tees.part * tees.fixed_s2_m5)[column]
    dividing = (own >= 0.0) & (own <= combined) & (combined > 0.0)
    share = np.where(dividing, own / np.where(dividing, combined, 1.0), 0.0)
    k, k_slope = _way_k(share, beta, side)
    head, by_own = scale * k * combined**2, scale * k_slope * combined
    by_combined = scale * (2.0 * k - share * k_slope) * combined
    outer, outer_own, outer_combined = _not_dividing(own, combined, (scale, fixed), beta, side)
    return (
        np.where(dividing, head, outer),
        np.where(dividing, by_own, outer_own),
        np.where(dividing, by_combined, outer_combined),
    )


def _way_k(share: Floats, beta: Floats, side: Bools) -> tuple[Floats, Floats]:
    """K of a way by its own share of the combined flow, and its slope."""
    branch, branch_slope = _branch_of_tee(share, beta)
    run, run_slope = _run_of_tee(1.0 - share, beta)
    return np.where(side, branch, run), np.where(side, branch_slope, -run_slope)


def _not_dividing(
    own: Floats, combined: Floats, loss: tuple[Floats, Floats], beta: Floats, side: Bools
) -> tuple[Floats, Floats, Floats]:
    """Head and slopes where the way takes more than the feeder brings, or brings water itself."""
    scale, fixed = loss
    fed = np.maximum(combined, 0.0)
    at_none, at_all = _way_k(np.zeros(1), beta, side)[0], _way_k(np.ones(1), beta, side)[0]
    # All of the flow through a side way costs its K on its own flow; straight on it costs nothing, so that what it
    # takes beyond the feeder's flow is charged by the constant K.
    outward, outward_own = np.where(side, scale * at_all, fixed) * own, np.where(side, scale * at_all, fixed)
    over = own > fed
    head = np.where(
        over,
        outward * own - np.where(side, 0.0, fixed * fed**2),
        scale * at_none * fed**2 + fixed * own * np.abs(own),
    )
    by_own = np.where(over, 2.0 * outward_own * own, 2.0 * fixed * np.abs(own))
    by_combined = 2.0 * fed * np.where(over, np.where(side, 0.0, -fixed), scale * at_none)
    return head, by_own, by_combined


def _branch_of_tee(share: Floats, beta: Floats) -> tuple[Floats, Floats]:
    """K into the branch of a 90 degree tee, and its slope by the branch's share."""
    square = beta**2
    spread = np.where(square <= _SMALL_BETA, 0.0, 0.3)
    speed = np.where(beta <= _SMALL_BETA, 1.0, 0.3) / square**2
    factor, term = 1.0 + spread * share**2, 1.0 + speed * share**2
    return np.asarray(factor * term), np.asarray(2.0 * share * (spread * term + speed * factor))


def _run_of_tee(share: Floats, beta: Floats) -> tuple[Floats, Floats]:
    """K straight on through a 90 degree tee, and its slope by the branch's share."""
    small = beta**2 <= 0.4  # noqa: PLR2004 - the source's limit
    rise = np.where(share <= 0.5, 2.0, 0.3)  # noqa: PLR2004 - the source's limit
    k = np.where(small, 0.4 * share**2, rise * (2.0 * share - 1.0) * share**2)
    slope = np.where(small, 0.8 * share, rise * (6.0 * share - 2.0) * share)
    return k, slope

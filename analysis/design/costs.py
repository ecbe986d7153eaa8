"""What costs a branch most head on its way from the pump, and what halving it would give."""

from dataclasses import dataclass, replace

import numpy as np

from analysis.hydraulics.network import AS_BUILT, Conditions, ElementHead, Network, losses_by_element, solve, solve_one

COSTLIEST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """One element on a branch's way.

    Attributes:
        branch: the branch. run: the run that the element lies in, the branch itself or one that feeds it.
        label, kind: as ElementHead.
        head_loss_m: what it costs. share: of all that is lost between the pump and the outlet.
        gain: share by which the branch's flow would rise if the element cost half; None where that cannot be told.
    """

    branch: str
    run: str
    label: str
    kind: str
    head_loss_m: float
    share: float
    gain: float | None


def costliest(network: Network, conditions: Conditions = AS_BUILT) -> tuple[Cost, ...]:
    """The three costliest elements of every branch, the costliest first.

    Args:
        network: the network.
        conditions: how it runs, one case; as built by default.

    Raises:
        NoSolution: it has no operating point.
    """
    solution = solve_one(network, conditions)
    flows = solution.flow_m3s[0]
    losses = losses_by_element(network, solution)
    found: list[Cost] = []
    for branch in np.flatnonzero(network.end < 0):
        on_way = _way(network, int(branch))
        there = [
            (place, loss)
            for place, loss in enumerate(losses[: len(network.elements)])
            if network.elements[place].run in on_way and loss.head_loss_m > 0.0
        ]
        total = sum(loss.head_loss_m for _, loss in there)
        for place, loss in sorted(there, key=lambda pair: -pair[1].head_loss_m)[:COSTLIEST]:
            gain = _gain(network, place, conditions, run=int(branch), flow_m3s=float(flows[branch]))
            found.append(_cost(network.runs[int(branch)], loss, total, gain))
    return tuple(found)


def _cost(branch: str, loss: ElementHead, total_m: float, gain: float | None) -> Cost:
    return Cost(
        branch=branch,
        run=loss.run,
        label=loss.label,
        kind=loss.kind,
        head_loss_m=loss.head_loss_m,
        share=loss.head_loss_m / total_m,
        gain=gain,
    )


def _way(network: Network, branch: int) -> frozenset[int]:
    """The runs from the pump to the outlet of a branch."""
    way = [branch]
    while network.parent[way[-1]] >= 0:
        way.append(int(network.parent[way[-1]]))
    return frozenset(way)


def _gain(network: Network, place: int, conditions: Conditions, *, run: int, flow_m3s: float) -> float | None:
    """Share by which a run's flow rises with one element halved."""
    solution = solve(halved(network, place), conditions)
    if not solution.converged[0] or flow_m3s <= 0.0:
        return None
    return float(solution.flow_m3s[0, run]) / flow_m3s - 1.0


def halved(network: Network, place: int) -> Network:
    """The network with the element at a place of its list costing half.

    Args:
        network: the network.
        place: index into its elements.

    Returns:
        A network of the same runs and nodes.
    """
    element = network.elements[place]
    run, loss = element.run, element.loss
    if element.friction is not None:
        segments = network.segments
        same = (segments.run == run) & (segments.bore_m == element.friction.bore_m)
        same &= segments.roughness_m == element.friction.roughness_m
        length = segments.length_m - np.where(same, 0.5 * element.friction.length_m, 0.0)
        return replace(network, segments=replace(segments, length_m=length))
    here = np.zeros(len(network.runs))
    here[run] = 0.5
    if network.tees is not None and place in network.tee_elements:
        part = network.tees.part * np.where(np.array(network.tee_elements) == place, 0.5, 1.0)
        return replace(network, tees=replace(network.tees, part=part))
    if not element.media:
        return replace(network, minor_s2_m5=network.minor_s2_m5 - here * loss.quadratic_s2_m5)
    return replace(
        network,
        media_linear_s_m2=network.media_linear_s_m2 - here * loss.linear_s_m2,
        media_viscous_per_m4=network.media_viscous_per_m4 - here * loss.viscous_per_m4,
        media_quadratic_s2_m5=network.media_quadratic_s2_m5 - here * loss.quadratic_s2_m5,
    )

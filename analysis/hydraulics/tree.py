"""One linear step on the tree: heads and flows that balance, without a matrix."""

from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats
from analysis.hydraulics.circuit import Bools, Network


@dataclass(slots=True, kw_only=True)
class Links:
    """Losses and slopes of the links at their present flows.

    Attributes:
        flow_m3s: [R, B] and pump_flow_m3s: [B] the present flows.
        loss_m, slope_s_m2: [R, B] head lost along each run, and d loss / d flow > 0.
        held: [R, B] runs that let nothing pass at present; None where none does.
        pump_head_m, pump_slope_s_m2: [B] head that the pump adds, and how fast it falls with flow, > 0.
    """

    flow_m3s: Floats
    pump_flow_m3s: Floats
    loss_m: Floats
    slope_s_m2: Floats
    held: Bools | None
    pump_head_m: Floats
    pump_slope_s_m2: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Flows and heads that balance the linear links.

    Attributes:
        flow_m3s: [R, B]. pump_flow_m3s: [B]. head_m: [N, B] at the nodes.
    """

    flow_m3s: Floats
    pump_flow_m3s: Floats
    head_m: Floats


def balance(network: Network, links: Links, *, outlet_m: Floats, sump_m: Floats) -> Balance:
    """Solve the linear system leaf to root and back.

    Q = y + p (H_start - H_end) for every run. For a branch, H_end is given, so Q = c + P H_start with c = y - p z. At a
    node the lines of all runs that leave it add up to Q = C + P_n H_n, which the run that feeds it turns into its own
    line; at the pump's outlet the sum meets the pump's line.

    Args:
        network: the tree.
        links: the losses, linear about the present flows.
        outlet_m: [R, 1 or B] levels at the outlets, m.
        sump_m: [1 or B] level of the sump, m.
    """
    ease = 1.0 / links.slope_s_m2
    offset = links.flow_m3s - links.loss_m * ease
    constant = offset - ease * np.where(network.end[:, None] < 0, outlet_m, 0.0)
    gain, of_node = ease.copy(), np.zeros((2, len(network.nodes), ease.shape[1]))
    for run in reversed(network.outward):
        node = network.end[run]
        if node >= 0:
            share = ease[run] / (ease[run] + of_node[1, node])
            constant[run] = share * of_node[0, node] + (1.0 - share) * offset[run]
            gain[run] = share * of_node[1, node]
        of_node[0, network.start[run]] += constant[run]
        of_node[1, network.start[run]] += gain[run]
    pump_ease = 1.0 / links.pump_slope_s_m2
    pump_offset = links.pump_flow_m3s + links.pump_head_m * pump_ease
    head = np.empty_like(of_node[0])
    head[0] = (pump_offset + pump_ease * sump_m - of_node[0, 0]) / (pump_ease + of_node[1, 0])
    for run in network.outward:
        node = network.end[run]
        if node >= 0:
            passed = offset[run] + ease[run] * head[network.start[run]]
            head[node] = (passed - of_node[0, node]) / (ease[run] + of_node[1, node])
    return Balance(
        flow_m3s=constant + gain * head[network.start],
        pump_flow_m3s=of_node[0, 0] + of_node[1, 0] * head[0],
        head_m=head,
    )

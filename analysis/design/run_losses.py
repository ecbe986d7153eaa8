"""Losses and heads along the tree at given flows, without solving: what planning starts from."""

import numpy as np

from analysis.frames import Floats, Ints
from analysis.hydraulics.friction import friction_factor
from analysis.hydraulics.network import Network
from analysis.hydraulics.tees import tee_heads_m

_STILL_M3S = 1e-15


def run_flows_m3s(network: Network, branch_flow_m3s: Floats) -> Floats:
    """Flow of every run when the branches take what they take.

    Args:
        network: the network.
        branch_flow_m3s: [B, R] flow of the branches, m3/s; columns of inner runs are ignored.

    Returns:
        [B, R] flow of every run, m3/s.
    """
    flow = np.where(network.end < 0, branch_flow_m3s, 0.0)
    for run in reversed(network.outward):
        parent = network.parent[run]
        if parent >= 0:
            flow[:, parent] += flow[:, run]
    return flow


def pump_flow_m3s(network: Network, flow_m3s: Floats) -> Floats:
    """[B] what the pump passes: the flow, m3/s, of all [B, R] runs that start at it.

    Args:
        network: the network.
        flow_m3s: [B, R] flow of every run, m3/s.

    Returns:
        [B] flow, m3/s.
    """
    total: Floats = flow_m3s[:, network.parent < 0].sum(axis=1)
    return total


def run_losses_m(
    network: Network, flow_m3s: Floats, *, resistance: float | Floats = 1.0, media_resistance: float | Floats = 1.0
) -> Floats:
    """Head loss along every run, by the same equations as the solver's.

    Args:
        network: the network.
        flow_m3s: [B, R] flow, m3/s, outward positive.
        resistance: scalar or [B, R], factor on all losses of a run.
        media_resistance: scalar or [B, R], factor on its devices and beds only.

    Returns:
        [B, R] head loss, m, with the sign of the flow.
    """
    segments = network.segments
    size = np.abs(flow_m3s)
    along = np.maximum(size[:, segments.run], _STILL_M3S)
    reynolds = 4.0 * along / (np.pi * segments.bore_m * network.viscosity_m2s)
    factor = friction_factor(reynolds, segments.roughness_m / segments.bore_m, law=network.constants.law)
    gravity = network.constants.gravity_m_s2
    stretch = 8.0 * factor * segments.length_m * along**2 / (np.pi**2 * gravity * segments.bore_m**5)
    friction = np.sign(flow_m3s) * np.add.reduceat(stretch, segments.first, axis=1)
    linear = network.media_linear_s_m2 + network.media_viscous_per_m4 * network.viscosity_m2s
    media = linear * flow_m3s + network.media_quadratic_s2_m5 * flow_m3s * size
    minor = network.minor_s2_m5 * flow_m3s * size
    if network.tees is not None:
        heads, _, _ = tee_heads_m(network.tees, flow_m3s.T)
        minor[:, network.tees.run] += heads.T
    lost: Floats = resistance * (friction + minor + media_resistance * media)
    return lost


def head_wanted_m(network: Network, loss_m: Floats, branches: Ints) -> Floats:
    """Head at the pump's outlet that drives each branch at the flows of these losses.

    Args:
        network: the network.
        loss_m: [B, R] loss along every run, m.
        branches: [K] indices of branches.

    Returns:
        [B, K] head above the sump's level, m: the outlet's height and all losses on the way there.
    """
    spent = loss_m.copy()
    for run in network.outward:
        parent = network.parent[run]
        if parent >= 0:
            spent[:, run] += spent[:, parent]
    wanted: Floats = spent[:, branches] + network.outlet_m[branches]
    return wanted

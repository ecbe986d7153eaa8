"""Friction of every run at the present flows, carried from step to step so that a step costs one logarithm.

Colebrook's equation is implicit. Instead of solving it anew at every flow, its root is kept, and each step of the
network's Newton method takes it one Newton step further: both close in together, and quadratically.
"""

import numpy as np

from analysis.frames import Floats, Ints
from analysis.hydraulics.circuit import Network
from analysis.hydraulics.friction import (
    COLEBROOK_REACH,
    LAMINAR_BELOW_RE,
    LOG_SCALE,
    TURBULENT_ABOVE_RE,
    FrictionCurve,
    FrictionLaw,
    colebrook_start,
    colebrook_step,
)

_LEAST_FLOW_M3S = 1e-15


class Drag:
    """Friction of S stretches of pipe in R runs, B cases, in arrays that are made once.

    Attributes:
        per_flow: [R, B] head lost to friction over flow, s/m2, at the flows last asked for.
        half_slope: [R, B] half of d loss / d flow, s/m2.
        root: [S, B] reduced root of Colebrook's equation; to be set, or begun by `begin`, before the first flows.
    """

    def __init__(self, network: Network, cases: int) -> None:
        segments = network.segments
        shape = (segments.run.size, cases)
        self._law = network.constants.law
        self._curve = FrictionCurve.of((segments.roughness_m / segments.bore_m)[:, None], law=self._law)
        self._run: Ints | None = segments.run if segments.run.size != len(network.runs) else None
        self._first = segments.first
        self.root = np.empty(shape)
        self._reach, self._spare, self._turbulent = np.empty(shape), np.empty(shape), np.empty(shape, np.bool_)
        self._friction_s2_m5 = self._reynolds_s_m3 = self._least_m3s = self._reach_m3s = np.ones((1, 1))
        self._turbulent_s2_m5 = self._friction_s2_m5
        self.per_flow, self.half_slope = self._spare, self._reach

    def set_pipes(self, friction_s2_m5: Floats, reynolds_s_m3: Floats) -> None:
        """Take up the coefficients of the cases: [S, 1 or B] h = friction f Q |Q| and Re = reynolds |Q|."""
        self._friction_s2_m5, self._reynolds_s_m3 = friction_s2_m5, reynolds_s_m3
        self._turbulent_s2_m5 = friction_s2_m5 / LOG_SCALE**2
        self._least_m3s = TURBULENT_ABOVE_RE / reynolds_s_m3
        self._reach_m3s = COLEBROOK_REACH / reynolds_s_m3

    def begin(self, size_m3s: Floats) -> None:
        """Start the roots from an explicit formula at the [R, B] sizes of flow."""
        along = np.maximum(self._along(size_m3s), self._least_m3s)
        self.root[:] = colebrook_start(self._reach_m3s / along, self._curve.scaled_roughness)

    def follow(self, size_m3s: Floats) -> None:
        """Bring `per_flow` and `half_slope` to the [R, B] sizes of flow, m3/s."""
        along = self._along(size_m3s)
        if self._law is FrictionLaw.COLEBROOK:
            per_flow, half_power = self._carried(along)
        else:
            per_flow, half_power = self._explicit(along)
        half_power *= per_flow
        if self._run is None:
            self.per_flow, self.half_slope = per_flow, half_power
        else:
            self.per_flow = np.add.reduceat(per_flow, self._first, axis=0)
            self.half_slope = np.add.reduceat(half_power, self._first, axis=0)

    def _along(self, size_m3s: Floats) -> Floats:
        return size_m3s if self._run is None else size_m3s[self._run]

    def _carried(self, along: Floats) -> tuple[Floats, Floats]:
        """Loss over flow, and the power of flow that the loss goes with, halved: both [S, B]."""
        turbulent = np.greater(along, self._least_m3s, out=self._turbulent)
        mixed = not turbulent.all()
        pushed = np.maximum(along, self._least_m3s, out=self._spare) if mixed else along
        reach = np.divide(self._reach_m3s, pushed, out=self._reach)
        half_power = colebrook_step(self.root, reach, self._curve.scaled_roughness, self._spare)
        per_flow = np.multiply(self.root, self.root, out=self._spare)
        np.divide(along, per_flow, out=per_flow)
        per_flow *= self._turbulent_s2_m5
        if mixed:
            self._replace_slow(along, per_flow, half_power)
        return per_flow, half_power

    def _replace_slow(self, along: Floats, per_flow: Floats, half_power: Floats) -> None:
        """Laminar flow and the transition, in the stretches that have any."""
        rows = np.flatnonzero(~self._turbulent.all(axis=1))
        turbulent, flow = self._turbulent[rows], along[rows]
        friction, reynolds = _of(self._friction_s2_m5, rows), _of(self._reynolds_s_m3, rows)
        ratio = np.clip(flow * (reynolds / LAMINAR_BELOW_RE), 1.0, 2.0)
        cubic, cubic_half_power = self._curve.transition(ratio, rows)
        laminar = ratio <= 1.0
        slow = np.where(laminar, friction * (64.0 / reynolds), friction * flow * cubic)
        per_flow[rows] = np.where(turbulent, per_flow[rows], slow)
        half_power[rows] = np.where(turbulent, half_power[rows], np.where(laminar, 0.5, cubic_half_power))

    def _explicit(self, along: Floats) -> tuple[Floats, Floats]:
        along = np.maximum(along, _LEAST_FLOW_M3S)
        factor, log_slope = self._curve.at(self._reynolds_s_m3 * along)
        return self._friction_s2_m5 * factor * along, 1.0 + 0.5 * log_slope


def _of(values: Floats, rows: Ints) -> Floats:
    return values if values.shape[0] == 1 else values[rows]

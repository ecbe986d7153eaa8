"""Friction of every run at the present flows, carried from step to step so that a step costs one logarithm.

Colebrook's equation is implicit. Instead of solving it anew at every flow, its root is kept, and each step of the
network's Newton method takes it one Newton step further: both close in together, and quadratically.
"""

from dataclasses import dataclass

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

    def __init__(self, network: Network, cases: int, *, scratch: tuple[Floats, Floats]) -> None:
        """For a network and so many cases; `scratch` are two [R, B] arrays that it may fill with `per_flow` and slope."""
        segments = network.segments
        shape = (segments.run.size, cases)
        self._law = network.constants.law
        self._curve = FrictionCurve.of((segments.roughness_m / segments.bore_m)[:, None], law=self._law)
        self._run: Ints | None = segments.run if segments.run.size != len(network.runs) else None
        self._first = segments.first
        self.root = np.empty(shape)
        self._reach, self._spare = scratch if self._run is None else (np.empty(shape), np.empty(shape))
        self._turbulent = np.empty(shape, np.bool_)
        self._slow: _Slow | None = None
        self._friction_s2_m5 = self._reynolds_s_m3 = self._least_m3s = self._reach_m3s = np.ones((1, 1))
        self._turbulent_s2_m5 = self._friction_s2_m5
        self.per_flow, self.half_slope = self._spare, self._reach

    def set_pipes(self, friction_s2_m5: Floats, reynolds_s_m3: Floats) -> None:
        """Take up the coefficients of the cases: [S, 1 or B] h = friction f Q |Q| and Re = reynolds |Q|.

        Args:
            friction_s2_m5: [S, 1 or B] coefficient, s2/m5.
            reynolds_s_m3: [S, 1 or B] Reynolds number over flow, s/m3.
        """
        self._friction_s2_m5, self._reynolds_s_m3 = friction_s2_m5, reynolds_s_m3
        self._turbulent_s2_m5 = friction_s2_m5 / LOG_SCALE**2
        self._least_m3s = TURBULENT_ABOVE_RE / reynolds_s_m3
        self._reach_m3s = COLEBROOK_REACH / reynolds_s_m3
        self._slow = None

    def begin(self, size_m3s: Floats) -> None:
        """Start the roots from an explicit formula at the [R, B] sizes of flow.

        Args:
            size_m3s: [R, B] sizes of flow, m3/s.
        """
        along = np.maximum(self._along(size_m3s), self._least_m3s)
        self.root[:] = colebrook_start(self._reach_m3s / along, self._curve.scaled_roughness)

    def follow(self, size_m3s: Floats) -> None:
        """Bring `per_flow` and `half_slope` to the [R, B] sizes of flow, m3/s.

        Args:
            size_m3s: [R, B] sizes of flow, m3/s, >= 0.
        """
        along = self._along(size_m3s)
        if self._law is FrictionLaw.COLEBROOK:
            per_flow, half_slope = self._carried(along)
        else:
            per_flow, half_slope = self._explicit(along)
        if self._run is None:
            self.per_flow, self.half_slope = per_flow, half_slope
        else:
            self.per_flow = np.add.reduceat(per_flow, self._first, axis=0)
            self.half_slope = np.add.reduceat(half_slope, self._first, axis=0)

    def _along(self, size_m3s: Floats) -> Floats:
        return size_m3s if self._run is None else size_m3s[self._run]

    def _carried(self, along: Floats) -> tuple[Floats, Floats]:
        """[S, B] loss over flow, and half its slope."""
        turbulent = np.greater(along, self._least_m3s, out=self._turbulent)
        mixed = not turbulent.all()
        pushed = np.maximum(along, self._least_m3s, out=self._spare) if mixed else along
        reach = np.divide(self._reach_m3s, pushed, out=self._reach)
        half_slope = colebrook_step(self.root, reach, self._curve.scaled_roughness, self._spare)
        per_flow = np.multiply(self.root, self.root, out=self._spare)
        np.divide(along, per_flow, out=per_flow)
        per_flow *= self._turbulent_s2_m5
        half_slope *= per_flow
        if mixed:
            self._replace_slow(along, per_flow, half_slope)
        return per_flow, half_slope

    def _replace_slow(self, along: Floats, per_flow: Floats, half_slope: Floats) -> None:
        """Laminar flow and the transition, in the stretches that have any."""
        rows = np.flatnonzero(~self._turbulent.all(axis=1))
        if self._slow is None or not np.array_equal(rows, self._slow.rows):
            self._slow = _Slow.of(self._curve, self._friction_s2_m5, self._reynolds_s_m3, rows)
        flow, turbulent = along[rows], self._turbulent[rows]
        loss, slope = self._slow.at(flow)
        if turbulent.any():
            loss, slope = np.where(turbulent, per_flow[rows], loss), np.where(turbulent, half_slope[rows], slope)
        per_flow[rows], half_slope[rows] = loss, slope

    def _explicit(self, along: Floats) -> tuple[Floats, Floats]:
        along = np.maximum(along, _LEAST_FLOW_M3S)
        factor, log_slope = self._curve.at(self._reynolds_s_m3 * along)
        per_flow = self._friction_s2_m5 * factor * along
        return per_flow, per_flow * (1.0 + 0.5 * log_slope)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Slow:
    """Stretches where flow is not turbulent in all cases; f Q as a polynomial of the flow in the transition.

    Attributes:
        rows: [k] which stretches. laminar_s_m2: [k, 1 or B] loss over flow in laminar flow.
        laminar_m3s: [k, 1 or B] flow at which that ends. terms: four of [k, 1 or B], by powers of flow from the first.
    """

    rows: Ints
    laminar_s_m2: Floats
    laminar_m3s: Floats
    terms: tuple[Floats, ...]

    @classmethod
    def of(cls, curve: FrictionCurve, friction_s2_m5: Floats, reynolds_s_m3: Floats, rows: Ints) -> "_Slow":
        """From coefficients as in `Drag.set_pipes`."""
        friction, reynolds = _of(friction_s2_m5, rows), _of(reynolds_s_m3, rows)
        ratio = reynolds / LAMINAR_BELOW_RE
        return cls(
            rows=rows,
            laminar_s_m2=64.0 * friction / reynolds,
            laminar_m3s=LAMINAR_BELOW_RE / reynolds,
            terms=tuple(friction * cubic[rows] * ratio**power for power, cubic in enumerate(curve.cubic)),
        )

    def at(self, flow_m3s: Floats) -> tuple[Floats, Floats]:
        """[k, B] loss over flow and half its slope, of sizes of flow below turbulence."""
        c0, c1, c2, c3 = self.terms
        loss = _cubic(flow_m3s, c0, c1, c2, c3)
        slope = _cubic(flow_m3s, c0, 1.5 * c1, 2.0 * c2, 2.5 * c3)
        laminar = flow_m3s <= self.laminar_m3s
        if laminar.any():
            loss = np.where(laminar, self.laminar_s_m2, loss)
            slope = np.where(laminar, 0.5 * self.laminar_s_m2, slope)
        return loss, slope


def _cubic(flow_m3s: Floats, c0: Floats, c1: Floats, c2: Floats, c3: Floats) -> Floats:
    """Q (c0 + c1 Q + c2 Q^2 + c3 Q^3)."""
    value = flow_m3s * c3
    for term in (c2, c1, c0):
        value += term
        value *= flow_m3s
    return value


def _of(values: Floats, rows: Ints) -> Floats:
    return values if values.shape[0] == 1 else values[rows]

"""Pump curves: head against flow, with its slope, at any speed and state of wear."""

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from analysis.frames import Floats

MAX_EXPONENT = 20.0
_LEAST_SPEED = 1e-6


class PumpCurve(Protocol):
    """Head against flow at full speed."""

    def at(self, flow_m3s: Floats) -> tuple[Floats, Floats]:
        """Head, m, and d head / d flow, s/m2, of [...] flows >= 0, m3/s.

        Args:
            flow_m3s: [...] m3/s.
        """
        ...

    @property
    def shut_off_m(self) -> float:
        """Head at no flow, m."""
        ...

    @property
    def widest_m3s(self) -> float:
        """Flow at which the head is used up, m3/s."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerCurve:
    """H = A - B Q^C.

    Attributes:
        shut_off_m: A, m. coefficient: B, m (s/m3)^C. exponent: C.
    """

    shut_off_m: float
    coefficient: float
    exponent: float

    def at(self, flow_m3s: Floats) -> tuple[Floats, Floats]:
        """Head, m, and its slope, s/m2, of [...] flows, m3/s.

        Args:
            flow_m3s: [...] m3/s.
        """
        flow = np.maximum(flow_m3s, 1e-15)
        slope = -self.coefficient * flow ** (self.exponent - 1.0)
        return self.shut_off_m + slope * flow, self.exponent * slope

    @property
    def widest_m3s(self) -> float:
        """Flow at which the head is used up, m3/s."""
        return float((self.shut_off_m / self.coefficient) ** (1.0 / self.exponent))


@dataclass(frozen=True, slots=True, kw_only=True)
class MonotoneCurve:
    """A monotone cubic through the points (Fritsch and Carlson's PCHIP), straight beyond its ends.

    Attributes:
        flow_m3s: [K] flows, rising. head_m: [K] heads, falling. slope_s_m2: [K] slopes at the points.
    """

    flow_m3s: Floats
    head_m: Floats
    slope_s_m2: Floats

    def at(self, flow_m3s: Floats) -> tuple[Floats, Floats]:
        """Head, m, and its slope, s/m2, of [...] flows, m3/s.

        Args:
            flow_m3s: [...] m3/s.
        """
        inside = np.clip(flow_m3s, self.flow_m3s[0], self.flow_m3s[-1])
        left = np.clip(np.searchsorted(self.flow_m3s, inside, side="right") - 1, 0, self.flow_m3s.size - 2)
        width = self.flow_m3s[left + 1] - self.flow_m3s[left]
        t = (inside - self.flow_m3s[left]) / width
        low, high = self.head_m[left], self.head_m[left + 1]
        slope_low, slope_high = self.slope_s_m2[left] * width, self.slope_s_m2[left + 1] * width
        square = 3.0 * (high - low) - 2.0 * slope_low - slope_high
        cube = 2.0 * (low - high) + slope_low + slope_high
        slope = (slope_low + t * (2.0 * square + 3.0 * t * cube)) / width
        head = low + t * (slope_low + t * (square + t * cube)) + slope * (flow_m3s - inside)
        return head, slope

    @property
    def shut_off_m(self) -> float:
        """Head at no flow, m."""
        return float(self.at(np.zeros(1))[0][0])

    @property
    def widest_m3s(self) -> float:
        """Flow at which the last stretch, carried on, uses up the head, m3/s."""
        return float(self.flow_m3s[-1] + max(self.head_m[-1], 0.0) / max(-self.slope_s_m2[-1], 1e-9))


def pump_curve(points: tuple[tuple[float, float], ...]) -> PumpCurve:
    """The curve through (flow m3/s, head m) points, flow rising and head falling.

    One point: shut-off head 4/3 of its head and twice its flow at no head, C = 2 (EPANET's rule). Two points:
    H = A - B Q^2 through them. Three with the shut-off head: H = A - B Q^C through them (EPANET's power function).
    Otherwise, or if C would pass 20: a monotone cubic.

    Args:
        points: (m3/s, m) at full speed, one at least.

    Returns:
        The curve at full speed.

    Source: EPANET 2.3, validate.c, for one and three points; two points by common practice, no source.
    """
    flow, head = np.array(points, dtype=np.float64).T
    if flow.size == 1:
        return PowerCurve(
            shut_off_m=float(4.0 / 3.0 * head[0]), coefficient=float(head[0] / (3.0 * flow[0] ** 2)), exponent=2.0
        )
    if flow.size == 2:  # noqa: PLR2004 - two points
        coefficient = float((head[0] - head[1]) / (flow[1] ** 2 - flow[0] ** 2))
        return PowerCurve(shut_off_m=float(head[0] + coefficient * flow[0] ** 2), coefficient=coefficient, exponent=2.0)
    if flow.size == 3 and flow[0] == 0.0:  # noqa: PLR2004 - three points
        exponent = math.log((head[0] - head[2]) / (head[0] - head[1])) / math.log(flow[2] / flow[1])
        if exponent <= MAX_EXPONENT:
            coefficient = float((head[0] - head[1]) / flow[1] ** exponent)
            return PowerCurve(shut_off_m=float(head[0]), coefficient=coefficient, exponent=exponent)
    return monotone_curve(flow, head)


def monotone_curve(flow_m3s: Floats, head_m: Floats) -> MonotoneCurve:
    """PCHIP through [K] points, K >= 3: harmonic-mean slopes inside, three-point slopes at the ends.

    An end slope of nought is replaced by that of the last stretch, lest the curve run level for ever.

    Args:
        flow_m3s: [K] flows, rising, m3/s.
        head_m: [K] heads, falling, m.

    Source: Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300-304.
    """
    width = np.diff(flow_m3s)
    secant = np.diff(head_m) / width
    before, after = 2.0 * width[1:] + width[:-1], width[1:] + 2.0 * width[:-1]
    slope = np.empty_like(head_m)
    slope[1:-1] = (before + after) / (before / secant[:-1] + after / secant[1:])
    slope[0] = _end_slope(width[0], width[1], secant[0], secant[1])
    slope[-1] = _end_slope(width[-1], width[-2], secant[-1], secant[-2])
    return MonotoneCurve(flow_m3s=flow_m3s, head_m=head_m, slope_s_m2=slope)


def _end_slope(near_width: float, next_width: float, near: float, following: float) -> float:
    slope = ((2.0 * near_width + next_width) * near - near_width * following) / (near_width + next_width)
    if slope >= 0.0:
        return near
    return max(slope, 3.0 * near) if near * following < 0.0 else slope


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningPump:
    """A pump at some speed and state of wear: H = k_H w^2 H1(Q / (w k_Q)), with H1 the curve at full speed.

    Attributes:
        curve: the curve at full speed.
        lift: [1 or B] k_H w^2. stretch: [1 or B] w k_Q. fall: [1 or B] lift over stretch.
    """

    curve: PumpCurve
    lift: Floats
    stretch: Floats
    fall: Floats

    @classmethod
    def of(
        cls, curve: PumpCurve, *, speed: float | Floats, head_factor: float | Floats, flow_factor: float | Floats
    ) -> "RunningPump":
        """By the affinity laws Q ~ n, H ~ n^2, from w, k_H and k_Q, scalars or [B].

        Args:
            curve: at full speed.
            speed: w, fraction of full speed.
            head_factor: k_H.
            flow_factor: k_Q.
        """
        turn = np.maximum(speed, _LEAST_SPEED)
        stretch, lift = turn * flow_factor, head_factor * turn**2
        return cls(curve=curve, lift=lift, stretch=stretch, fall=lift / stretch)

    def at(self, flow_m3s: Floats) -> tuple[Floats, Floats]:
        """Head, m, and its slope, s/m2, of [B] flows >= 0, m3/s.

        Args:
            flow_m3s: [B] m3/s, >= 0.
        """
        head, slope = self.curve.at(flow_m3s / self.stretch)
        return self.lift * head, self.fall * slope


def pump_head(
    curve: PumpCurve,
    flow_m3s: Floats,
    *,
    speed: float | Floats = 1.0,
    head_factor: float | Floats = 1.0,
    flow_factor: float | Floats = 1.0,
) -> tuple[Floats, Floats]:
    """Head that the pump adds and its slope, by the affinity laws Q ~ n, H ~ n^2.

    H = k_H w^2 H1(Q / (w k_Q)), with H1 the curve at full speed.

    Args:
        curve: the curve at full speed.
        flow_m3s: [B] flow, m3/s.
        speed: fraction of full speed, w; a scalar or [B].
        head_factor: k_H, a scalar or [B].
        flow_factor: k_Q, a scalar or [B].

    Returns:
        Head, m, and d head / d flow, s/m2, both [B].
    """
    running = RunningPump.of(curve, speed=speed, head_factor=head_factor, flow_factor=flow_factor)
    return running.at(flow_m3s)

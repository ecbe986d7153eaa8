"""What the pump draws from the mains, by its figures and the affinity laws, and how far that is known.

Power is told as a log ratio to what the pump draws at a duty point, so that the meter's own scale falls out. Of a radial
impeller it rises with the flow that passes; at another speed n it goes with n^3 along the points that go with n. A
motor and its electronics lose something whatever they give, so what is drawn moves less than the shaft's power.
"""

from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats

# Power at no flow lies this share below that at the duty point, where the plant file does not say; and its spread. Of
# the shaft's power of radial pumps some 0.4 to 0.6 (handbooks, from memory), less for what the motor loses anyway.
SLOPE, SLOPE_SD = 0.35, 0.15
# How far the plant file's figures may be off in the change that they tell, and the affinity law in what is drawn: shares
# of a log change. Common practice, no source.
FIGURES_SHARE = 0.15
SPEED_SHARE = 0.10
LEAST_RATIO = 0.02
EXPONENT = 3.0  # P ~ n^3
ENOUGH_POINTS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpPower:
    """A pump's power against flow at full speed, about a duty point.

    Attributes:
        points: (m3/s, W) at full speed, flow rising; none or one say nothing of the slope.
        duty_m3s: flow of the duty point brought to full speed (over its speed).
        duty_speed: speed of the duty point, fraction.
    """

    points: tuple[tuple[float, float], ...]
    duty_m3s: float
    duty_speed: float

    @property
    def known(self) -> bool:
        """Whether the slope comes from figures."""
        return len(self.points) >= ENOUGH_POINTS

    def log_change(self, flow_m3s: Floats, speed: Floats | float) -> tuple[Floats, Floats]:
        """Log of the power over that at the duty point, and a standard deviation of it; [B] both.

        P = w^3 P1(Q / w), with P1 the power at full speed (affinity laws).

        Args:
            flow_m3s: [B] that the pump passes, m3/s.
            speed: fraction of full speed, w; a scalar or [B].
        """
        turned = np.log(np.asarray(speed, dtype=np.float64) / self.duty_speed)
        along, spread = self._along(np.maximum(flow_m3s, 0.0) / speed)
        return EXPONENT * turned + along, np.hypot(spread, SPEED_SHARE * EXPONENT * turned)

    def _along(self, full_m3s: Floats) -> tuple[Floats, Floats]:
        """[B] log of the power at full speed over the duty point's, and its standard deviation, at flows of full speed."""
        if self.known:
            duty = power_at(self.points, np.array(self.duty_m3s))
            change = np.log(np.maximum(power_at(self.points, full_m3s) / duty, LEAST_RATIO))
            return change, FIGURES_SHARE * np.abs(change)
        more = full_m3s / self.duty_m3s - 1.0
        ratio = np.maximum(1.0 + SLOPE * more, LEAST_RATIO)
        return np.log(ratio), SLOPE_SD * np.abs(more) / ratio


def power_at(points: tuple[tuple[float, float], ...], flow_m3s: Floats) -> Floats:
    """Power, W, at full speed: straight between the points, the end stretches carried on; no less than a fiftieth.

    Args:
        points: (m3/s, W), two at least, flow rising.
        flow_m3s: [...] m3/s.
    """
    flow, power = np.array(points, dtype=np.float64).T
    left = np.clip(np.searchsorted(flow, flow_m3s, side="right") - 1, 0, flow.size - 2)
    share = (flow_m3s - flow[left]) / (flow[left + 1] - flow[left])
    drawn: Floats = power[left] + share * (power[left + 1] - power[left])
    least: Floats = np.maximum(drawn, LEAST_RATIO * power.max())
    return least


def rated_power(points: tuple[tuple[float, float], ...], flow_m3s: float, *, speed: float) -> float:
    """Power by the plant file's figures at a flow and speed, W; a single figure stands for every flow.

    Args:
        points: (m3/s, W) at full speed, one at least, flow rising.
        flow_m3s: m3/s.
        speed: fraction of full speed.
    """
    full = points[0][1] if len(points) < ENOUGH_POINTS else float(power_at(points, np.array(flow_m3s / speed)))
    return float(full * speed**EXPONENT)

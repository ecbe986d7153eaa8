"""One rate to one flow, for processes that must do without numpy; analysis.calibration does whole frames."""

import bisect
import itertools
import math
from collections.abc import Iterable, Sequence

from analysis.events import Event
from analysis.factors import LITRES_PER_M3, calibrations_of, factors_of
from config.plant import Meter


class Metered:
    """A meter's flow at any time, for many of them: the calibrations are looked up once."""

    def __init__(self, meter: Meter, events: Iterable[Event]) -> None:
        since = calibrations_of(meter.name, events)
        self._from_s = [event.at_s for event in since]
        self._k_points = [meter.k_points, *map(factors_of, since)]

    def flow_m3s(self, rate_hz: float, at_s: float) -> float:
        """Flow in m3/s that turned the meter at this rate at that time, UTC epoch seconds."""
        return flow_at(rate_hz, self._k_points[bisect.bisect_right(self._from_s, at_s)])


def flow_at(rate_hz: float, k_points: Sequence[tuple[float, float]]) -> float:
    """Flow in m3/s that turns a meter at this rate.

    Args:
        rate_hz: pulses a second.
        k_points: (flow m3/s, pulses per litre), flow rising. K runs straight between points and stays level outside
            them, so that the rate is a quadratic of the flow between two points.
    """
    points = [(flow_m3s, k * LITRES_PER_M3) for flow_m3s, k in k_points]
    (first_flow, first_k), (last_flow, last_k) = points[0], points[-1]
    if rate_hz <= first_flow * first_k or len(points) == 1:
        return rate_hz / first_k
    if rate_hz >= last_flow * last_k:
        return rate_hz / last_k
    (low_flow, low_k), (high_flow, high_k) = next(
        (low, high) for low, high in itertools.pairwise(points) if rate_hz <= high[0] * high[1]
    )
    slope = (high_k - low_k) / (high_flow - low_flow)
    level = low_k - slope * low_flow
    return 2 * rate_hz / (level + math.sqrt(max(level**2 + 4 * slope * rate_hz, 0.0)))

"""Metered pulses -> flow, by the K-factors in force at the time."""

from collections.abc import Iterable, Sequence

import numpy as np

from analysis.events import Event
from analysis.factors import LITRES_PER_M3, calibrations_of, factors_of
from analysis.frames import HOUR_S, Floats, HourFrame
from config.plant import Meter


def flow_of(frame: HourFrame, meters: Sequence[Meter], events: Iterable[Event] = ()) -> Floats:
    """Flow of every hour and meter.

    A journalled calibration supersedes the plant file from its date on, for hours that start at or after it.

    Args:
        frame: hours of M meters.
        meters: the plant's meters, in any order; one for each of the frame's.
        events: the journal; events that are no calibration are passed over.

    Returns:
        [T, M] m3/s; nan where the rate is unknown.
    """
    return _flow(frame, frame.rate, meters, events)


def flow_of_parts(
    frame: HourFrame, pulses: Floats, seconds: Floats, meters: Sequence[Meter], events: Iterable[Event] = ()
) -> Floats:
    """Flow in parts of the hours, by the factors that hold for their hours.

    Args:
        frame: hours of M meters.
        pulses: [T, P, M] counted in some parts of each hour.
        seconds: [T, P, M] the time that was.
        meters: as in `flow_of`.
        events: as in `flow_of`.

    Returns:
        [T, P, M] m3/s; nan where no time is behind it.
    """
    rate = np.divide(pulses, seconds, out=np.full_like(pulses, np.nan), where=seconds > 0)
    return np.stack([_flow(frame, rate[:, part], meters, events) for part in range(rate.shape[1])], axis=1)


def _flow(frame: HourFrame, rate: Floats, meters: Sequence[Meter], events: Iterable[Event]) -> Floats:
    """Flow at rates [T, M] in the hours of a frame."""
    by_name = {meter.name: meter for meter in meters}
    starts_s = frame.start_s + np.arange(frame.hours) * HOUR_S
    known = tuple(events)
    flow = np.empty_like(rate)
    for column, name in enumerate(frame.meters):
        flow[:, column] = flow_of_rate(rate[:, column], by_name[name].k_points)
        for event in calibrations_of(name, known):
            since = starts_s >= event.at_s
            if since.any():
                flow[since, column] = flow_of_rate(rate[since, column], factors_of(event))
    return flow


def flow_of_rate(rate_hz: Floats, k_points: Sequence[tuple[float, float]]) -> Floats:
    """Flow that turns a meter at the given rates.

    Args:
        rate_hz: [N] pulses a second.
        k_points: (flow m3/s, pulses per litre), flow rising. K runs straight between points and stays level outside
            them, so within a piece the rate is a quadratic of the flow, solved here exactly.

    Returns:
        [N] m3/s.
    """
    flows, factors = (np.array(values, dtype=float) for values in zip(*k_points, strict=True))
    factors = factors * LITRES_PER_M3
    if len(flows) == 1:
        return np.asarray(rate_hz / factors[0], dtype=np.float64)
    piece = np.clip(np.searchsorted(flows * factors, rate_hz) - 1, 0, len(flows) - 2)
    slope = (np.diff(factors) / np.diff(flows))[piece]
    level = factors[piece] - slope * flows[piece]
    root = level + np.sqrt(np.maximum(level**2 + 4 * slope * rate_hz, 0.0))
    inside = np.divide(2 * rate_hz, root, out=np.zeros_like(root), where=root != 0)  # none only below all points
    below, above = rate_hz <= flows[0] * factors[0], rate_hz >= flows[-1] * factors[-1]
    ends = np.where(below, rate_hz / factors[0], rate_hz / factors[-1])
    return np.asarray(np.where(below | above, ends, inside), dtype=np.float64)

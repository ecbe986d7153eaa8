"""What was learned of a meter, carried to the K-factors that calibrations put in force.

A commissioned flow is pulses a second by the K-factors of that time. A calibration makes the same pulses another flow,
and so another commissioned flow: it is carried along, and nothing has happened to the plant. Unless the meter had
drifted to what the calibration now says: then its readings come back to the commissioned flow, which stays.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.baseline import Baseline
from analysis.calibration import flow_of_rate
from analysis.events import Event
from analysis.factors import KPoints, calibrations_of, factors_at, factors_of
from analysis.frames import HOUR_S, Floats, HourFrame
from config.plant import Meter, Plant

# A K-factor that changes by more than this (log, a factor of two) is sooner a slip of the pen: it is not believed.
LARGEST_CALIBRATION = 0.7
# A meter that stood no further than this (log) from the others had not drifted. Common practice, no source.
STEADY = 0.05
DRIFT_H = 24
SEVERAL = 2
ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """What the calibrations do to a frame's readings.

    Attributes:
        shift: [T, M] log of the commissioned flow by the K-factors of each hour, over that of the baseline.
        off: calibrations that mended a drift, with how far from the commissioned flow they leave the readings (log).
    """

    shift: Floats
    off: tuple[tuple[Event, float], ...]


def carried(plant: Plant, baseline: Baseline, frame: HourFrame, logs: Floats, events: Sequence[Event]) -> Carried:
    """Carry a baseline along.

    Args:
        plant: whose meters they are.
        baseline: as commissioned.
        frame: T hours of its M meters.
        logs: [T, M] log flow, each hour by its own K-factors, over the commissioned one, at the commissioned speed.
        events: the journal.
    """
    starts_s: Floats = frame.start_s + HOUR_S * np.arange(frame.hours, dtype=np.float64)
    shift = np.zeros((frame.hours, len(baseline.meters)))
    steps: list[_Step] = []
    usual_hz = baseline.pulses_hz(plant.meters, events)
    for column, name in enumerate(baseline.meters):
        meter = next(meter for meter in plant.meters if meter.name == name)
        now = _level(usual_hz, baseline, column, meter.k_points)
        shift[:, column] = now
        for event in calibrations_of(name, events):
            before, now = now, _level(usual_hz, baseline, column, factors_of(event))
            if event.at_s <= baseline.healthy_until_s(name):  # no meter drifts in the healthy days
                shift[starts_s >= event.at_s, column] = now
            else:
                steps.append(_Step(event, column, now - before))
    off: list[tuple[Event, float]] = []
    for step in sorted(steps, key=lambda one: one.event.at_s):
        if abs(step.log) >= LARGEST_CALIBRATION:
            continue
        stood = _stood(logs - shift, starts_s, step)
        if abs(stood) > STEADY and abs(stood + step.log) < abs(stood):
            off.append((step.event, abs(stood + step.log)))
        else:
            shift[starts_s >= step.event.at_s, step.column] += step.log
    return Carried(shift=shift, off=tuple(off))


@dataclass(frozen=True, slots=True)
class _Step:
    """What a calibration does to a meter's flow: log of it by the new K-factor over that by the one before."""

    event: Event
    column: int
    log: float


def _level(usual_hz: Floats, baseline: Baseline, column: int, points: KPoints) -> float:
    """Log of the flow that the commissioned pulses a second are by some K-factors, over the baseline's."""
    flow = float(flow_of_rate(usual_hz[column : column + 1], points)[0])
    log = float(np.log(flow / baseline.flow_m3s[column]))
    return log if abs(log) > ROUNDING else 0.0


def _stood(logs: Floats, starts_s: Floats, step: _Step) -> float:
    """How far a meter stood from the others, over the day before its calibration (log); 0 where nobody knows."""
    at_s = step.event.at_s
    day = logs[(starts_s + HOUR_S <= at_s) & (starts_s >= at_s - DRIFT_H * HOUR_S)]
    means = np.array([np.nanmean(one) if np.isfinite(one).any() else np.nan for one in day.T])
    others = np.delete(means, step.column)
    others = others[np.isfinite(others)]
    stood = float(means[step.column] - (np.median(others) if len(others) >= SEVERAL else 0.0))
    return stood if np.isfinite(stood) else 0.0


def by_last_factors(meters: Sequence[Meter], events: Sequence[Event], at_s: float) -> list[Meter]:
    """The meters with the K-factors that are in force at a time, for hours that are all to be seen by the same."""
    return [replace(meter, k_points=factors_at(meter, events, at_s)) for meter in meters]

"""Two simpler ways to watch meters, measured on the same hours: a 5 % rule, and a textbook CUSUM on log flow.

Each watches every meter by itself and keeps still for three days after an alarm of it.
"""

import numpy as np

from analysis.frames import Floats
from analysis.statistics import control_charts
from tests.bench.diagnosis_parts.scenario import Scenario

HOLD_H = 72
SHARE, IN_A_ROW = 0.95, 3
# The usual textbook choice for a shift of one standard deviation (Montgomery, Introduction to Statistical Quality
# Control, CUSUM with k = 1/2 and h = 5, from memory).
SLACK, DECISION = 0.5, 5.0
LEAST_SHOWN = 0.02
LEAST_SECONDS = 600.0


def five_percent(scenario: Scenario) -> tuple[int, ...]:
    """Hours of alarms: a meter has been below 95 % of its median of the healthy days for three hours running."""
    log_flow = _log_flows(scenario)
    alarms: list[int] = []
    for column in range(log_flow.shape[1]):
        below, held_until = 0, 0
        for hour in range(scenario.healthy_h, len(log_flow)):
            value = log_flow[hour, column]
            if not np.isfinite(value):
                continue
            below = below + 1 if value < np.log(SHARE) else 0
            if below >= IN_A_ROW and hour >= held_until:
                alarms.append(hour)
                held_until = hour + HOLD_H
    return tuple(sorted(alarms))


def cusum(scenario: Scenario) -> tuple[int, ...]:
    """Hours of alarms of a two-sided CUSUM, with mean and standard deviation of the healthy days."""
    log_flow = _log_flows(scenario)
    alarms: list[int] = []
    healthy = log_flow[: scenario.healthy_h]
    scores = (log_flow - np.nanmean(healthy, axis=0)) / np.nanstd(healthy, axis=0, ddof=1)
    for column in range(log_flow.shape[1]):
        alarms += cusum_alarms(scores[scenario.healthy_h :, column], scenario.healthy_h)
    return tuple(sorted(alarms))


def cusum_alarms(scores: Floats, first_h: int) -> list[int]:
    """Hours of alarms of scores [T], nan unseen, the first of them in hour `first_h`; each alarm starts the sums anew."""
    seen = np.flatnonzero(np.isfinite(scores))
    alarms: list[int] = []
    begin = held_until = 0
    while (
        signal := control_charts.cusum(scores[seen[begin:]], 0.0, allowance=SLACK).first_signal(DECISION)
    ) is not None:
        hour = first_h + int(seen[begin + signal])
        begin += signal + 1
        if hour >= held_until:
            alarms.append(hour)
            held_until = hour + HOLD_H
    return alarms


def _log_flows(scenario: Scenario) -> Floats:
    """[T, M] log of the rate over its median of the healthy days; nan where too little of the hour is known."""
    rate = np.where(scenario.frame.seconds >= LEAST_SECONDS, scenario.frame.rate, np.nan)
    usual = np.nanmedian(rate[: scenario.healthy_h], axis=0)
    flows: Floats = np.log(np.maximum(rate / usual, LEAST_SHOWN))
    return flows

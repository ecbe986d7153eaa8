"""What each gauge showed over the period, in its own unit, beside what the commissioned plant would make it show."""

import math
from dataclasses import dataclass

import numpy as np

from analysis.assessment import Assessment
from analysis.frames import Floats
from analysis.report.drift import Drift
from analysis.report.trends import Mark, Scene
from analysis.report.window import mean, on_grid
from config.gauge_units import SI_UNITS
from config.plant import PUMP_NODE, Gauge, GaugeKind


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeTrend:
    """One gauge; arrays [T] over the period's hours, in `unit`, nan unknown.

    `commissioned`: what it showed then. `drift`: which way it is going.
    """

    name: str
    reads: GaugeKind
    unit: str
    hours_s: Floats
    shown: Floats
    expected: Floats
    commissioned: float
    marks: tuple[Mark, ...]
    drift: Drift

    @property
    def last_day(self) -> float:
        """Mean of the last 24 hours; nan unknown."""
        return mean(self.shown[-24:])

    @property
    def last_expected(self) -> float:
        """The same of what was expected."""
        return mean(self.expected[-24:])


def gauge_trends(scene: Scene, assessment: Assessment) -> tuple[GaugeTrend, ...]:
    """A trend of every gauge that takes part, in the order of the plant file."""
    columns = {state.name: column for column, state in enumerate(assessment.gauge_states)}
    return tuple(
        _trend(scene, assessment, gauge, columns[gauge.name]) for gauge in scene.plant.gauges if gauge.name in columns
    )


def _trend(scene: Scene, assessment: Assessment, gauge: Gauge, column: int) -> GaugeTrend:
    period, scale = scene.period, SI_UNITS[gauge.unit]
    hours, shown = on_grid(
        assessment.hours_s, assessment.gauge_shown[:, column] / scale, period.trend_start_s, period.end_s
    )
    _, expected = on_grid(
        assessment.hours_s, assessment.gauge_expected[:, column] / scale, period.trend_start_s, period.end_s
    )
    names = {gauge.name, PUMP_NODE}
    return GaugeTrend(
        name=gauge.name,
        reads=gauge.reads,
        unit=gauge.unit,
        hours_s=hours,
        shown=shown,
        expected=expected,
        commissioned=assessment.gauge_states[column].commissioned / scale,
        marks=scene.marks(names),
        # a pressure against the air may be nothing or less, of which there is no share
        drift=scene.drift(names, np.where(shown > 0, shown, math.nan), expected),
    )

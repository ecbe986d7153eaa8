"""The trend of a gauge as a picture, drawn as those of the flows are."""

import numpy as np
from matplotlib.figure import Figure

from analysis.report import words
from analysis.report.course import LEAST_RANGE, Course, course_figure, draw_commissioned
from analysis.report.gauge_trends import GaugeTrend
from analysis.report.period import Period
from analysis.report.svg import inline_svg


def gauge_figure(trend: GaugeTrend, period: Period, prefix: str) -> str:
    """What a gauge showed over the period against its commissioned level and what was expected.

    Hours without a value stay open; a known hour between two unknown ones is a dot.
    """
    return inline_svg(
        lambda: _trend(trend, period),
        prefix=prefix,
        title=f"{trend.reads.value.capitalize()} at gauge {words.clean(trend.name)} in {trend.unit}",
        description=f"{gauge_sentence(trend)} The axis need not begin at zero.",
    )


def gauge_sentence(trend: GaugeTrend) -> str:
    """What a trend shows in one sentence."""
    if np.isnan(trend.last_day):
        return f"No value is known of the last day; when commissioned {_told(trend.commissioned, trend.unit)}."
    return (
        f"Last day {_told(trend.last_day, trend.unit)}, expected {_told(trend.last_expected, trend.unit)}; "
        f"when commissioned {_told(trend.commissioned, trend.unit)}."
    )


def _told(value: float, unit: str) -> str:
    return "unknown" if np.isnan(value) else f"{value:.4g}{words.SPACE}{unit}".replace("-", words.MINUS)


def _trend(trend: GaugeTrend, period: Period) -> Figure:
    course = Course(
        hours_s=trend.hours_s, measured=trend.shown, expected=trend.expected, marks=trend.marks, unit=trend.unit
    )
    return course_figure(
        course,
        period,
        limits=_range(trend),
        draw_levels=lambda axes: draw_commissioned(axes, trend.commissioned),
        levels=("commissioned",),
    )


def _range(trend: GaugeTrend) -> tuple[float, float]:
    """Limits of the axis: all that is drawn, with a margin, no less than a fifth of the commissioned level."""
    everything = np.concatenate([trend.shown, trend.expected, [trend.commissioned]])
    known = everything[np.isfinite(everything)]
    low, high = float(known.min()), float(known.max())
    margin = max(0.08 * (high - low), (LEAST_RANGE * abs(trend.commissioned) - (high - low)) / 2) or 1.0
    return low - margin, high + margin

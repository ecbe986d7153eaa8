"""Trends and completeness as pictures. Each is one `<svg>` element with a title and a text.

Every line has a dash or a
marker of its own, so that nothing hangs on its colour.
"""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analysis.frames import HOUR_S
from analysis.report import palette, words
from analysis.report.canvas import (
    LABEL_PT,
    label_texts,
    new_canvas,
    place_axes,
    row_axis,
    time_axis,
)
from analysis.report.course import LEAST_RANGE, Course, course_figure, draw_commissioned
from analysis.report.period import Period
from analysis.report.svg import inline_svg
from analysis.report.trends import Hours, Trend
from analysis.report.window import stretches
from config.units import flow_in


def trend_figure(trend: Trend, period: Period, unit: str, prefix: str) -> str:
    """A run's flow over the period against its target, its commissioned level and what was expected.

    Hours without a flow stay open; a known hour between two unknown ones is a dot.
    """
    return inline_svg(
        lambda: _trend(trend, period, unit),
        prefix=prefix,
        title=f"Flow of {words.clean(trend.name)} in {unit}",
        description=_trend_text(trend, period, unit),
    )


def completeness_figure(hours: Hours, names: Sequence[str], period: Period, prefix: str) -> str:
    """A strip a meter: filled where its flow is known, open where it is not; `names` by column of the hours."""
    known = np.isfinite(hours.flow_m3s)
    shares = known.mean(axis=0) if len(known) else np.zeros(len(names))
    said = "; ".join(
        f"{words.clean(name)} {words.percent(100 * float(share))}" for name, share in zip(names, shares, strict=True)
    )
    return inline_svg(
        lambda: _completeness(hours, names, period),
        prefix=prefix,
        title="Hours with a known flow, by meter",
        description=f"Share of the hours: {said}.",
        labels=label_texts(names),
    )


def _trend_text(trend: Trend, period: Period, unit: str) -> str:
    """What a trend shows, for those who cannot see it."""
    known = [row for row in trend.rows if row.known_hours]
    if not known:
        return "No flow is known in this period."
    first, last = known[0], known[-1]
    return (
        f"Mean {words.flow(first.mean_m3s, unit)} in {words.span(first.span, period.zone)}, "
        f"{words.flow(last.mean_m3s, unit)} in {words.span(last.span, period.zone)}; "
        f"when commissioned {words.flow(trend.commissioned_m3s, unit)}; "
        f"target {words.target(trend.target, unit)}. The flow axis need not begin at zero."
    )


def _trend(trend: Trend, period: Period, unit: str) -> Figure:
    scale = flow_in(unit, 1.0)
    course = Course(
        hours_s=trend.hours_s,
        measured=trend.flow_m3s * scale,
        expected=trend.expected_m3s * scale,
        marks=trend.marks,
        unit=unit,
    )
    return course_figure(
        course,
        period,
        limits=_flow_range(trend, unit),
        draw_levels=lambda axes: _draw_levels(axes, trend, unit),
        levels=("commissioned", "target"),
    )


def _flow_range(trend: Trend, unit: str) -> tuple[float, float]:
    """Limits of the flow axis: all that is drawn, with a margin; from zero where the flow fell far.

    Never less than a fifth of the flow, or noise would look like an event.
    """
    bounds = (trend.target.low_m3s, trend.target.high_m3s) if trend.target else ()
    levels = [trend.commissioned_m3s, *(bound for bound in bounds if bound is not None)]
    everything = np.concatenate([trend.flow_m3s, trend.expected_m3s, np.array(levels, dtype=np.float64)])
    known = everything[np.isfinite(everything)]
    if not known.size:
        return 0.0, 1.0
    low, high = flow_in(unit, float(known.min())), flow_in(unit, float(known.max()))
    margin = max(0.08 * (high - low), (LEAST_RANGE * abs(high) - (high - low)) / 2) or 1.0
    return (0.0 if low < high / 3 else low - margin), high + margin


def _draw_levels(axes: Axes, trend: Trend, unit: str) -> None:
    """Target as a band between dash-dotted edges, commissioned level dotted."""
    if trend.target is not None:
        low_m3s, high_m3s = trend.target.low_m3s, trend.target.high_m3s
        floor, ceiling = axes.get_ylim()
        axes.axhspan(
            floor if low_m3s is None else flow_in(unit, low_m3s),
            ceiling if high_m3s is None else flow_in(unit, high_m3s),
            facecolor=palette.TARGET_FILL.light,
            linewidth=0,
            zorder=0,
        )
        edges = [flow_in(unit, bound) for bound in (low_m3s, high_m3s) if bound is not None]
        for place, edge in enumerate(edges):
            label = "target" if place == 0 else "_"
            axes.axhline(edge, color=palette.TARGET.light, linewidth=1.2, dashes=(8, 2, 1.5, 2), label=label)
    if np.isfinite(trend.commissioned_m3s):
        draw_commissioned(axes, flow_in(unit, trend.commissioned_m3s))


def _completeness(hours: Hours, names: Sequence[str], period: Period) -> Figure:
    figure, axes = new_canvas(20 * max(1, len(names)) + 34)
    place_axes(figure, axes, (LABEL_PT, 12, 6, 28))
    time_axis(axes, period)
    row_axis(axes, len(names))
    for place in range(len(names)):
        known = stretches(np.isfinite(hours.flow_m3s[:, place]))
        bars = [(float(hours.hours_s[first]), float((last - first) * HOUR_S)) for first, last in known]
        axes.broken_barh([(period.trend_start_s, period.end_s - period.trend_start_s)], (place - 0.3, 0.6),
                         facecolor="none", edgecolor=palette.LEVEL.light, linewidth=0.7)  # fmt: skip
        axes.broken_barh(bars, (place - 0.3, 0.6), facecolor=palette.MEASURED.light, linewidth=0)
    return figure

"""Trends and completeness as pictures. Each is one `<svg>` element with a title and a text.

Every line has a dash or a
marker of its own, so that nothing hangs on its colour.
"""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import blended_transform_factory

from analysis.frames import HOUR_S
from analysis.report import palette, words
from analysis.report.canvas import (
    LABEL_PT,
    as_array,
    draw_legend,
    label_texts,
    new_canvas,
    place_axes,
    row_axis,
    time_axis,
)
from analysis.report.period import Period
from analysis.report.svg import inline_svg
from analysis.report.trends import Hours, Mark, Trend
from analysis.report.window import lone, stretches, thinned
from config.units import flow_in

COLUMNS = 370
LEAST_RANGE = 0.2


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
    figure, axes = new_canvas(230)
    place_axes(figure, axes, (52, 12, 34, 52))
    time_axis(axes, period)
    axes.grid(visible=True, axis="y", color=palette.RULE.light, linewidth=0.6)
    axes.set_ylim(*_flow_range(trend, unit))
    axes.locator_params(axis="y", nbins=5)
    axes.yaxis.set_major_formatter(lambda value, _place: f"{value:,.6g}")
    _draw_levels(axes, trend, unit)
    _draw_flows(axes, trend, unit)
    if period.week is not None:
        axes.axvspan(period.start_s, period.end_s, ymax=0.02, facecolor=palette.MUTED.light, linewidth=0)
    draw_marks(axes, trend.marks)
    axes.text(
        0, 1.04, unit, transform=axes.transAxes, ha="right", va="bottom", color=palette.MUTED.light, parse_math=False
    )
    draw_legend(figure, axes, ("measured", "expected", "commissioned", "target"), 2.2)
    return figure


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
        axes.axhline(
            flow_in(unit, trend.commissioned_m3s),
            color=palette.LEVEL.light,
            linewidth=1.4,
            dashes=(1.2, 2),
            label="commissioned",
        )


def _draw_flows(axes: Axes, trend: Trend, unit: str) -> None:
    """Measured flow solid, expected flow dashed; middle of each hour."""
    scale = flow_in(unit, 1.0)
    middle_s = trend.hours_s + HOUR_S / 2
    alone = lone(trend.flow_m3s)
    at_s, flow = thinned(middle_s, trend.flow_m3s * scale, COLUMNS)
    axes.plot(at_s, flow, color=palette.MEASURED.light, linewidth=1.5, label="measured", gid="measured")
    axes.plot(
        middle_s[alone], trend.flow_m3s[alone] * scale, ".", color=palette.MEASURED.light, markersize=3, label="_alone"
    )
    at_s, expected = thinned(middle_s, trend.expected_m3s * scale, COLUMNS)
    axes.plot(at_s, expected, color=palette.EXPECTED.light, linewidth=1.4, dashes=(5, 3), label="expected", zorder=3)


def draw_marks(axes: Axes, marks: Sequence[Mark]) -> None:
    """A line down from each mark: findings solid with their letter in a box, journal entries thin with a number."""
    start_s, end_s = axes.get_xlim()
    shown = [mark for mark in marks if start_s <= mark.at_s <= end_s]
    _draw_crowd(axes, [mark.at_s for mark in shown if not mark.sign])
    crowded_s = 0.045 * (end_s - start_s)
    raised, last_s = False, -np.inf
    for mark in (mark for mark in shown if mark.sign):
        raised = not raised if mark.at_s - last_s < crowded_s else False
        last_s = mark.at_s
        if mark.is_finding:
            span_s = max(mark.low_s, start_s), min(mark.high_s, end_s)
            axes.axvspan(*span_s, facecolor=palette.RIVAL.light, alpha=0.18, linewidth=0)
        axes.axvline(
            mark.at_s,
            color=palette.INK.light,
            linewidth=1.3 if mark.is_finding else 0.8,
            linestyle="solid" if mark.is_finding else (0, (2, 2)),
        )
        _draw_sign(axes, mark, 1.14 if raised else 1.03)


def _draw_crowd(axes: Axes, at_s: Sequence[float]) -> None:
    """Many entries of the journal: short strokes along the top, one line in all, one stroke a column of the picture."""
    start_s, end_s = axes.get_xlim()
    columns = np.unique(np.floor((as_array(at_s) - start_s) / (end_s - start_s) * COLUMNS))
    places = start_s + (columns + 0.5) / COLUMNS * (end_s - start_s)
    strokes = np.stack([places, places, np.full(len(places), np.nan)], axis=1).ravel()
    heights = np.tile([1.0, 1.05, np.nan], len(places))
    head = blended_transform_factory(axes.transData, axes.transAxes)
    axes.plot(strokes, heights, transform=head, color=palette.INK.light, linewidth=0.8, clip_on=False, label="_crowd")


def _draw_sign(axes: Axes, mark: Mark, height: float) -> None:
    box = {"boxstyle": "square,pad=0.2", "fill": False, "edgecolor": palette.INK.light, "linewidth": 0.9}
    axes.text(
        mark.at_s,
        height,
        mark.sign,
        transform=blended_transform_factory(axes.transData, axes.transAxes),
        ha="center",
        va="bottom",
        fontsize=11,
        color=palette.INK.light,
        parse_math=False,
        bbox=box if mark.is_finding else None,
    )


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

"""The trend of a gauge as a picture, drawn as those of the flows are."""

import numpy as np
from matplotlib.figure import Figure

from analysis.frames import HOUR_S
from analysis.report import palette, words
from analysis.report.canvas import draw_legend, new_canvas, place_axes, time_axis
from analysis.report.figures import COLUMNS, LEAST_RANGE, draw_marks
from analysis.report.gauge_trends import GaugeTrend
from analysis.report.period import Period
from analysis.report.svg import inline_svg
from analysis.report.window import lone, thinned


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
    figure, axes = new_canvas(230)
    place_axes(figure, axes, (52, 12, 34, 52))
    time_axis(axes, period)
    axes.grid(visible=True, axis="y", color=palette.RULE.light, linewidth=0.6)
    axes.set_ylim(*_range(trend))
    axes.locator_params(axis="y", nbins=5)
    axes.yaxis.set_major_formatter(lambda value, _place: f"{value:,.6g}")
    axes.axhline(trend.commissioned, color=palette.LEVEL.light, linewidth=1.4, dashes=(1.2, 2), label="commissioned")
    middle_s = trend.hours_s + HOUR_S / 2
    alone = lone(trend.shown)
    at_s, shown = thinned(middle_s, trend.shown, COLUMNS)
    axes.plot(at_s, shown, color=palette.MEASURED.light, linewidth=1.5, label="measured", gid="measured")
    axes.plot(middle_s[alone], trend.shown[alone], ".", color=palette.MEASURED.light, markersize=3, label="_alone")
    at_s, expected = thinned(middle_s, trend.expected, COLUMNS)
    axes.plot(at_s, expected, color=palette.EXPECTED.light, linewidth=1.4, dashes=(5, 3), label="expected", zorder=3)
    if period.week is not None:
        axes.axvspan(period.start_s, period.end_s, ymax=0.02, facecolor=palette.MUTED.light, linewidth=0)
    draw_marks(axes, trend.marks)
    axes.text(
        0,
        1.04,
        trend.unit,
        transform=axes.transAxes,
        ha="right",
        va="bottom",
        color=palette.MUTED.light,
        parse_math=False,
    )
    draw_legend(figure, axes, ("measured", "expected", "commissioned"), 2.2)
    return figure


def _range(trend: GaugeTrend) -> tuple[float, float]:
    """Limits of the axis: all that is drawn, with a margin, no less than a fifth of the commissioned level."""
    everything = np.concatenate([trend.shown, trend.expected, [trend.commissioned]])
    known = everything[np.isfinite(everything)]
    low, high = float(known.min()), float(known.max())
    margin = max(0.08 * (high - low), (LEAST_RANGE * abs(trend.commissioned) - (high - low)) / 2) or 1.0
    return low - margin, high + margin

"""What was measured over hours as a picture, beside what was expected, with the marks of findings and journal.

Flows and gauges are drawn alike. Every line has a dash or a marker of its own, so that nothing hangs on its colour.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import blended_transform_factory

from analysis.frames import HOUR_S, Floats
from analysis.report import palette
from analysis.report.canvas import as_array, draw_legend, new_canvas, place_axes, time_axis
from analysis.report.period import Period
from analysis.report.trends import Mark
from analysis.report.window import lone, thinned

COLUMNS = 370
# An axis shows no less than this share of the level, or noise would look like an event.
LEAST_RANGE = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What is drawn of one run or gauge; arrays [T] in `unit`, nan unknown."""

    hours_s: Floats
    measured: Floats
    expected: Floats
    marks: tuple[Mark, ...]
    unit: str


def course_figure(
    course: Course,
    period: Period,
    *,
    limits: tuple[float, float],
    draw_levels: Callable[[Axes], None],
    levels: tuple[str, ...],
) -> Figure:
    """A course on its axes.

    Args:
        course: measured solid, expected dashed, in the middle of each hour; an hour that is known alone is a dot.
        period: of the time axis.
        limits: of the other axis.
        draw_levels: draws what the course is held against.
        levels: the labels of that, for the legend.
    """
    figure, axes = new_canvas(230)
    place_axes(figure, axes, (52, 12, 34, 52))
    time_axis(axes, period)
    axes.grid(visible=True, axis="y", color=palette.RULE.light, linewidth=0.6)
    axes.set_ylim(*limits)
    axes.locator_params(axis="y", nbins=5)
    axes.yaxis.set_major_formatter(lambda value, _place: f"{value:,.6g}")
    draw_levels(axes)
    _draw_lines(axes, course)
    if period.week is not None:
        axes.axvspan(period.start_s, period.end_s, ymax=0.02, facecolor=palette.MUTED.light, linewidth=0)
    _draw_marks(axes, course.marks)
    muted = palette.MUTED.light
    axes.text(0, 1.04, course.unit, transform=axes.transAxes, ha="right", va="bottom", color=muted, parse_math=False)
    draw_legend(figure, axes, ("measured", "expected", *levels), 2.2)
    return figure


def draw_commissioned(axes: Axes, level: float) -> None:
    """The level as commissioned, dotted."""
    axes.axhline(level, color=palette.LEVEL.light, linewidth=1.4, dashes=(1.2, 2), label="commissioned")


def _draw_lines(axes: Axes, course: Course) -> None:
    middle_s = course.hours_s + HOUR_S / 2
    alone = lone(course.measured)
    at_s, measured = thinned(middle_s, course.measured, COLUMNS)
    axes.plot(at_s, measured, color=palette.MEASURED.light, linewidth=1.5, label="measured", gid="measured")
    axes.plot(middle_s[alone], course.measured[alone], ".", color=palette.MEASURED.light, markersize=3, label="_alone")
    at_s, expected = thinned(middle_s, course.expected, COLUMNS)
    axes.plot(at_s, expected, color=palette.EXPECTED.light, linewidth=1.4, dashes=(5, 3), label="expected", zorder=3)


def _draw_marks(axes: Axes, marks: Sequence[Mark]) -> None:
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

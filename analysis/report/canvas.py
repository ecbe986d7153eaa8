"""What all pictures of the report share: size, margins, axes, legend.

Drawn small, so that the letters stay readable at the width of a phone.
"""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import blended_transform_factory

from analysis.frames import Floats
from analysis.report import palette, words
from analysis.report.period import Period, ticks

WIDTH_PT = 430
POINTS_PER_INCH = 72
LABEL_CHARACTERS = 20
# Room for so many, wide ones among them.
LABEL_PT = 146


def new_canvas(height_pt: float) -> tuple[Figure, Axes]:
    """A figure with one pair of axes, WIDTH_PT wide."""
    figure = Figure(figsize=(WIDTH_PT / POINTS_PER_INCH, height_pt / POINTS_PER_INCH), dpi=POINTS_PER_INCH)
    axes = figure.add_subplot()
    quieten(axes)
    return figure, axes


def quieten(axes: Axes) -> None:
    """Axes with a base line only, in quiet colours."""
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(palette.LEVEL.light)
    axes.tick_params(colors=palette.MUTED.light, length=3, color=palette.LEVEL.light)
    axes.set_axisbelow(True)


def place_axes(figure: Figure, axes: Axes, margins_pt: tuple[float, float, float, float]) -> None:
    """Put axes between margins: left, right, top, bottom."""
    left, right, top, bottom = margins_pt
    height = figure.get_figheight() * POINTS_PER_INCH
    width = WIDTH_PT - left - right
    axes.set_position((left / WIDTH_PT, bottom / height, width / WIDTH_PT, 1 - (top + bottom) / height))


def time_axis(axes: Axes, period: Period) -> None:
    """Local days along the bottom."""
    axes.set_xlim(period.trend_start_s, period.end_s)
    places = ticks(period)
    axes.set_xticks(places, [words.short_day(at_s, period.zone) for at_s in places])
    axes.grid(visible=True, axis="x", color=palette.RULE.light, linewidth=0.6)


def draw_legend(figure: Figure, axes: Axes, order: Sequence[str], handle_length: float) -> None:
    """What is what, below the picture, in a fixed order."""
    drawn = dict(zip(*reversed(axes.get_legend_handles_labels()), strict=True))
    figure.legend(
        handles=[drawn[label] for label in order if label in drawn],
        loc="lower center",
        ncols=4,
        frameon=False,
        labelcolor=palette.INK.light,
        fontsize=11,
        handlelength=handle_length,
        columnspacing=1.2,
        borderaxespad=0.1,
    )


def row_axis(axes: Axes, count: int) -> None:
    """A row a name; the names are stand-ins, exchanged in the finished picture."""
    axes.set_ylim(count - 0.5, -0.5)
    axes.set_yticks([])
    side = blended_transform_factory(axes.transAxes, axes.transData)
    for place in range(count):
        axes.text(
            -0.015,
            place,
            "name",
            gid=f"label-{place}",
            transform=side,
            ha="right",
            va="center",
            color=palette.INK.light,
        )


def label_texts(names: Sequence[str]) -> dict[str, str]:
    """What to put in place of the stand-ins that `row_axis` draws."""
    return {f"label-{place}": words.shortened(name, LABEL_CHARACTERS) for place, name in enumerate(names)}


def as_array(values: Sequence[float]) -> Floats:
    """Numbers as an array, [N]."""
    return np.array(values, dtype=np.float64)

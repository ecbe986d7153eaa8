"""What a fit determines as a picture: each figure's interval after the healthy days beside the catalogue's alone."""

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, NullLocator

from analysis.fitted import FittedFigure
from analysis.report import palette, words
from analysis.report.canvas import LABEL_PT, as_array, draw_legend, label_texts, new_canvas, place_axes, row_axis
from analysis.report.fitted_words import factor_range
from analysis.report.svg import inline_svg

ROW_PT = 24
_TICKS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.7, 1.0, 1.4, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)


def fitted_figure(figures: Sequence[FittedFigure], names: Sequence[str], prefix: str) -> str:
    """Factors on what the plant file says, with 90 % intervals: of the catalogue alone, and after the healthy days.

    Args:
        figures: one row each.
        names: what to call each row.
        prefix: of the ids.
    """
    said = "; ".join(
        f"{words.clean(name)} {figure.factor:.2f}, 90 % interval {factor_range(figure.interval)}, "
        f"by the catalogue alone {factor_range(figure.prior_interval)}"
        for name, figure in zip(names, figures, strict=True)
    )
    return inline_svg(
        lambda: draw_fitted(figures),
        prefix=prefix,
        title="Fitted figures beside the catalogue's",
        description=f"Factors on the plant file's figures: {said}.",
        labels=label_texts(names),
    )


def draw_fitted(figures: Sequence[FittedFigure]) -> Figure:
    """The picture, with stand-ins for the names; factors on a scale of ratios."""
    figure, axes = new_canvas(ROW_PT * len(figures) + 80)
    place_axes(figure, axes, (LABEL_PT, 16, 8, 66))
    row_axis(axes, len(figures))
    places = np.arange(len(figures))
    axes.set_xscale("log")
    for intervals, width, alpha, label in (
        ([each.prior_interval for each in figures], 11, 0.3, "catalogue alone"),
        ([each.interval for each in figures], 5, 0.6, "90 % interval"),
    ):
        colour = palette.LEVEL.light if label == "catalogue alone" else palette.MEASURED.light
        low, high = (as_array(side) for side in zip(*intervals, strict=True))
        axes.hlines(places, low, high, color=colour, linewidth=width, alpha=alpha, label=label)
    middle = as_array([each.factor for each in figures])
    axes.plot(middle, places, "o", color=palette.MEASURED.light, markersize=6, label="fitted")
    axes.axvline(1.0, color=palette.LEVEL.light, linewidth=1)
    axes.grid(visible=True, axis="x", color=palette.RULE.light, linewidth=0.6)
    axes.margins(x=0.06)
    first, last = axes.get_xlim()
    shown = [tick for tick in _TICKS if first <= tick <= last]
    axes.xaxis.set_major_locator(FixedLocator(shown))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xticklabels([f"{tick:g}" for tick in shown])
    axes.set_xlabel("times what the plant file says", color=palette.MUTED.light)
    draw_legend(figure, axes, ("fitted", "90 % interval", "catalogue alone"), 1.4)
    return figure

"""The evidence for a finding as a picture: what each meter and gauge says beside what the causes would make it say."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analysis.assessment import Evidence
from analysis.report import palette, words
from analysis.report.canvas import (
    LABEL_PT,
    as_array,
    draw_legend,
    label_texts,
    new_canvas,
    place_axes,
    quieten,
    row_axis,
)
from analysis.report.svg import inline_svg

ROW_PT = 26
CLOSE_UP = 4


def evidence_figure(evidence: Sequence[Evidence], names: Sequence[str], prefix: str, letter: str) -> str:
    """Measured change of each meter with its 90 % interval beside what the first and the second cause would make it.

    Args:
        evidence: one row a meter.
        names: what to call each row.
        prefix: of the ids.
        letter: the finding's.
    """
    said = "; ".join(
        f"{words.clean(name)} {words.change(row.measured_percent)}, expected {words.change(row.expected_percent)}"
        for name, row in zip(names, evidence, strict=True)
    )
    return inline_svg(
        lambda: _evidence(evidence, names),
        prefix=prefix,
        title=f"Evidence for finding {letter}",
        description=f"Change of each reading since the onset: {said}.",
        labels=label_texts(names),
    )


def _evidence(evidence: Sequence[Evidence], names: Sequence[str]) -> Figure:
    """All meters on one scale; beside it a close-up where one change dwarfs the others."""
    figure, axes = new_canvas(ROW_PT * len(names) + 86)
    close_up = _close_up_percent(evidence)
    place_axes(figure, axes, (LABEL_PT, 12 if close_up is None else 168, 18, 68))
    row_axis(axes, len(names))
    _draw_evidence(axes, evidence)
    axes.margins(x=0.08)
    if close_up is None:
        axes.set_xlabel("change since the onset, %", color=palette.MUTED.light)
    else:
        axes.set_xlabel("since the onset, %", color=palette.MUTED.light)
        axes.locator_params(axis="x", nbins=4)
        beside = figure.add_subplot(sharey=axes)
        quieten(beside)
        place_axes(figure, beside, (280, 12, 18, 68))
        _draw_evidence(beside, evidence)
        beside.set_xlim(-close_up, close_up)
        beside.locator_params(axis="x", nbins=4)
        beside.tick_params(axis="y", left=False, labelleft=False)
        beside.set_xlabel("close up, %", color=palette.MUTED.light)
        _draw_off_scale(beside, evidence, close_up)
    draw_legend(figure, axes, ("measured", "90 % interval", "first cause", "second cause"), 1.4)
    return figure


def _reach(row: Evidence) -> float:
    """The farthest that anything of a row lies from zero, per cent."""
    rival = 0.0 if row.rival_percent is None else row.rival_percent
    return float(
        np.nanmax(np.abs([row.measured_percent, row.low_percent, row.high_percent, row.expected_percent, rival]))
    )


def _close_up_percent(evidence: Sequence[Evidence]) -> float | None:
    """Half width of the close-up: what holds all rows far smaller than the largest; None where there is none."""
    reaches = [_reach(row) for row in evidence]
    small = [reach for reach in reaches if reach < max(reaches) / CLOSE_UP]
    return 1.2 * max(small) or 1.0 if small else None


def _draw_off_scale(axes: Axes, evidence: Sequence[Evidence], close_up: float) -> None:
    """An arrow where a row lies outside the close-up."""
    for place, row in enumerate(evidence):
        if abs(row.measured_percent) > close_up:
            side = np.sign(row.measured_percent)
            axes.plot(
                0.93 * close_up * side, place, "<" if side < 0 else ">", color=palette.MEASURED.light, markersize=7
            )


def _draw_evidence(axes: Axes, evidence: Sequence[Evidence]) -> None:
    axes.grid(visible=True, axis="x", color=palette.RULE.light, linewidth=0.6)
    axes.locator_params(axis="x", nbins=6)
    axes.axvline(0, color=palette.LEVEL.light, linewidth=1)
    places = np.arange(len(evidence))
    measured = as_array([row.measured_percent for row in evidence])
    low, high = as_array([row.low_percent for row in evidence]), as_array([row.high_percent for row in evidence])
    axes.hlines(places, low, high, color=palette.MEASURED.light, linewidth=5, alpha=0.45, label="90 % interval")
    axes.plot(measured, places, "o", color=palette.MEASURED.light, markersize=6, label="measured")
    axes.plot(
        as_array([row.expected_percent for row in evidence]),
        places,
        "D",
        markerfacecolor="none",
        markeredgecolor=palette.EXPECTED.light,
        markeredgewidth=1.8,
        markersize=10,
        label="first cause",
    )
    rival = as_array([np.nan if row.rival_percent is None else row.rival_percent for row in evidence])
    if np.isfinite(rival).any():
        axes.plot(
            rival, places, "x", color=palette.RIVAL.light, markeredgewidth=1.8, markersize=8, label="second cause"
        )

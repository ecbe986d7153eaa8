"""The pictures of the report: trends, evidence, completeness. Each is one `<svg>` element with a title and a text.

Drawn small (430 points wide), so that the letters stay readable at the width of a phone. Every line has a dash or a
marker of its own, so that nothing hangs on its colour.
"""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import blended_transform_factory

from analysis.assessment import Evidence
from analysis.frames import HOUR_S, Floats
from analysis.report import palette, words
from analysis.report.period import Period, ticks
from analysis.report.svg import inline_svg
from analysis.report.trends import Hours, Mark, Trend
from analysis.report.window import lone, stretches, thinned
from config.units import flow_in

WIDTH_PT = 430
POINTS_PER_INCH = 72
COLUMNS = 370
LABEL_CHARACTERS = 20
ROW_PT = 26
LEAST_RANGE = 0.2
CLOSE_UP = 4


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
        description=f"Change of each meter's flow since the onset: {said}.",
        labels=_labels(names),
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
        labels=_labels(names),
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


def _labels(names: Sequence[str]) -> dict[str, str]:
    return {f"label-{place}": words.shortened(name, LABEL_CHARACTERS) for place, name in enumerate(names)}


def _canvas(height_pt: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(WIDTH_PT / POINTS_PER_INCH, height_pt / POINTS_PER_INCH), dpi=POINTS_PER_INCH)
    axes = figure.add_subplot()
    _bare(axes)
    return figure, axes


def _bare(axes: Axes) -> None:
    """Axes with a base line only, in quiet colours."""
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(palette.LEVEL.light)
    axes.tick_params(colors=palette.MUTED.light, length=3, color=palette.LEVEL.light)
    axes.set_axisbelow(True)


def _place(figure: Figure, axes: Axes, margins_pt: tuple[float, float, float, float]) -> None:
    """Put axes between margins: left, right, top, bottom."""
    left, right, top, bottom = margins_pt
    height = figure.get_figheight() * POINTS_PER_INCH
    width = WIDTH_PT - left - right
    axes.set_position((left / WIDTH_PT, bottom / height, width / WIDTH_PT, 1 - (top + bottom) / height))


def _time_axis(axes: Axes, period: Period) -> None:
    axes.set_xlim(period.trend_start_s, period.end_s)
    places = ticks(period)
    axes.set_xticks(places, [words.short_day(at_s, period.zone) for at_s in places])
    axes.grid(visible=True, axis="x", color=palette.RULE.light, linewidth=0.6)


def _trend(trend: Trend, period: Period, unit: str) -> Figure:
    figure, axes = _canvas(230)
    _place(figure, axes, (52, 12, 34, 52))
    _time_axis(axes, period)
    axes.grid(visible=True, axis="y", color=palette.RULE.light, linewidth=0.6)
    axes.set_ylim(*_flow_range(trend, unit))
    axes.locator_params(axis="y", nbins=5)
    axes.yaxis.set_major_formatter(lambda value, _place: f"{value:,.6g}")
    _draw_levels(axes, trend, unit)
    _draw_flows(axes, trend, unit)
    if period.week is not None:
        axes.axvspan(period.start_s, period.end_s, ymax=0.02, facecolor=palette.MUTED.light, linewidth=0)
    _draw_marks(axes, trend.marks)
    axes.text(
        0, 1.04, unit, transform=axes.transAxes, ha="right", va="bottom", color=palette.MUTED.light, parse_math=False
    )
    _legend(figure, axes, ("measured", "expected", "commissioned", "target"), 2.2)
    return figure


def _legend(figure: Figure, axes: Axes, order: Sequence[str], handle_length: float) -> None:
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


def _draw_marks(axes: Axes, marks: Sequence[Mark]) -> None:
    """A line down from each mark: findings solid with their letter in a box, journal entries thin with a number."""
    head = blended_transform_factory(axes.transData, axes.transAxes)
    start_s, end_s = axes.get_xlim()
    crowded_s = 0.045 * (end_s - start_s)
    raised, last_s = False, -np.inf
    for mark in marks:
        if not start_s <= mark.at_s <= end_s:
            continue
        raised = not raised if mark.at_s - last_s < crowded_s else False
        last_s = mark.at_s
        if mark.is_finding:
            axes.axvspan(
                max(mark.low_s, start_s),
                min(mark.high_s, end_s),
                facecolor=palette.RIVAL.light,
                alpha=0.18,
                linewidth=0,
            )
        axes.axvline(
            mark.at_s,
            color=palette.INK.light,
            linewidth=1.3 if mark.is_finding else 0.8,
            linestyle="solid" if mark.is_finding else (0, (2, 2)),
        )
        if mark.sign:
            axes.text(
                mark.at_s,
                1.14 if raised else 1.03,
                mark.sign,
                transform=head,
                ha="center",
                va="bottom",
                fontsize=11,
                color=palette.INK.light,
                parse_math=False,
                bbox={"boxstyle": "square,pad=0.2", "fill": False, "edgecolor": palette.INK.light, "linewidth": 0.9}
                if mark.is_finding
                else None,
            )


def _row_axis(axes: Axes, count: int) -> None:
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


def _evidence(evidence: Sequence[Evidence], names: Sequence[str]) -> Figure:
    """All meters on one scale; beside it a close-up where one change dwarfs the others."""
    figure, axes = _canvas(ROW_PT * len(names) + 86)
    close_up = _close_up_percent(evidence)
    _place(figure, axes, (130, 12 if close_up is None else 168, 18, 68))
    _row_axis(axes, len(names))
    _draw_evidence(axes, evidence)
    axes.margins(x=0.08)
    if close_up is None:
        axes.set_xlabel("change of flow since the onset, %", color=palette.MUTED.light)
    else:
        axes.set_xlabel("change since the onset, %", color=palette.MUTED.light)
        beside = figure.add_subplot(sharey=axes)
        _bare(beside)
        _place(figure, beside, (280, 12, 18, 68))
        _draw_evidence(beside, evidence)
        beside.set_xlim(-close_up, close_up)
        beside.locator_params(axis="x", nbins=4)
        beside.tick_params(axis="y", left=False, labelleft=False)
        beside.set_xlabel("the same, close up, %", color=palette.MUTED.light)
        _draw_off_scale(beside, evidence, close_up)
    _legend(figure, axes, ("measured", "90 % interval", "first cause", "second cause"), 1.4)
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
    measured = _column([row.measured_percent for row in evidence])
    low, high = _column([row.low_percent for row in evidence]), _column([row.high_percent for row in evidence])
    axes.hlines(places, low, high, color=palette.MEASURED.light, linewidth=5, alpha=0.45, label="90 % interval")
    axes.plot(measured, places, "o", color=palette.MEASURED.light, markersize=6, label="measured")
    axes.plot(
        _column([row.expected_percent for row in evidence]),
        places,
        "D",
        markerfacecolor="none",
        markeredgecolor=palette.EXPECTED.light,
        markeredgewidth=1.8,
        markersize=10,
        label="first cause",
    )
    rival = _column([np.nan if row.rival_percent is None else row.rival_percent for row in evidence])
    if np.isfinite(rival).any():
        axes.plot(
            rival, places, "x", color=palette.RIVAL.light, markeredgewidth=1.8, markersize=8, label="second cause"
        )


def _column(values: Sequence[float]) -> Floats:
    return np.array(values, dtype=np.float64)


def _completeness(hours: Hours, names: Sequence[str], period: Period) -> Figure:
    figure, axes = _canvas(20 * max(1, len(names)) + 34)
    _place(figure, axes, (130, 12, 6, 28))
    _time_axis(axes, period)
    _row_axis(axes, len(names))
    for place in range(len(names)):
        known = stretches(np.isfinite(hours.flow_m3s[:, place]))
        bars = [(float(hours.hours_s[first]), float((last - first) * HOUR_S)) for first, last in known]
        axes.broken_barh([(period.trend_start_s, period.end_s - period.trend_start_s)], (place - 0.3, 0.6),
                         facecolor="none", edgecolor=palette.LEVEL.light, linewidth=0.7)  # fmt: skip
        axes.broken_barh(bars, (place - 0.3, 0.6), facecolor=palette.MEASURED.light, linewidth=0)
    return figure

"""Pictures of the pump: its curve with the manifold's, and how the branches share its flow."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

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
from analysis.report.pump_chart import AtSpeed, PumpChart
from analysis.report.svg import inline_svg
from config.units import flow_in, head_in, head_unit, show_flow, show_head

ROW_PT = 24


def pump_figure(chart: PumpChart, unit: str, prefix: str, *, title: str) -> str:
    """Head over flow: the pump at its speed and at others, the manifold, and the points where they meet."""
    said = "; ".join(f"at {_speed(point)} {_point(point, unit)}" for point in chart.speeds)
    return inline_svg(
        lambda: _pump(chart, unit),
        prefix=prefix,
        title=title,
        description=f"Where the pump's curve and the manifold's meet: {said}. "
        f"The plant runs at {_speed(chart.now)} of full speed.",
    )


def share_figure(names: Sequence[str], flow_m3s: Sequence[float], unit: str, prefix: str) -> str:
    """What part of the pump's flow each branch gets; a branch that runs backward shows to the left."""
    total = sum(flow_m3s)
    texts = [_share(flow, total, unit) for flow in flow_m3s]
    said = "; ".join(f"{words.clean(name)} {text}" for name, text in zip(names, texts, strict=True))
    return inline_svg(
        lambda: _shares(flow_m3s, texts),
        prefix=prefix,
        title="How the branches share the flow",
        description=f"{said}.",
        labels=label_texts(names),
    )


def _speed(point: AtSpeed) -> str:
    return f"{100 * point.speed:.0f}{words.SPACE}%"


def _point(point: AtSpeed, unit: str) -> str:
    return f"{show_flow(point.pump_flow_m3s, unit)} at {show_head(point.pump_head_m, unit)}"


def _share(flow_m3s: float, total_m3s: float, unit: str) -> str:
    share = f", {100 * flow_m3s / total_m3s:.0f}{words.SPACE}%" if total_m3s > 0 else ""
    return f"{show_flow(flow_m3s, unit)}{share}"


def _pump(chart: PumpChart, unit: str) -> Figure:
    figure, axes = new_canvas(300)
    place_axes(figure, axes, (44, 14, 26, 70))
    fastest = chart.speeds[0]
    axes.set_xlim(0.0, 1.03 * flow_in(unit, float(fastest.flow_m3s[-1])))
    axes.set_ylim(0.0, 1.14 * head_in(unit, float(fastest.head_m[0])))
    axes.grid(visible=True, color=palette.RULE.light, linewidth=0.6)
    axes.locator_params(nbins=5)
    axes.xaxis.set_major_formatter(lambda value, _place: f"{value:,.6g}")
    axes.text(0, 1.03, f"head, {head_unit(unit)}", transform=axes.transAxes, ha="center", color=palette.MUTED.light)
    axes.set_xlabel(f"flow of the pump, {unit}", color=palette.MUTED.light, labelpad=2, parse_math=False)
    for place, point in enumerate(chart.speeds):
        _draw_speed(axes, point, unit, is_asked=place == chart.asked, is_first=place == (0 if chart.asked else 1))
    _draw_system(axes, chart, unit)
    _draw_points(axes, chart, unit)
    draw_legend(figure, axes, ("pump", "other speeds", "manifold", "operating point"), 2.2)
    return figure


def _draw_speed(axes: Axes, point: AtSpeed, unit: str, *, is_asked: bool, is_first: bool) -> None:
    """One curve of the pump with its speed at its left end."""
    flow, head = point.flow_m3s * flow_in(unit, 1.0), point.head_m * head_in(unit, 1.0)
    axes.plot(
        flow,
        head,
        color=palette.MEASURED.light if is_asked else palette.LEVEL.light,
        linewidth=2.2 if is_asked else 1.1,
        dashes=(1, 0) if is_asked else (5, 3),
        label="pump" if is_asked else "other speeds" if is_first else "_other",
    )
    axes.annotate(
        _speed(point),
        (float(flow[0]), float(head[0])),
        xytext=(4, 3),
        textcoords="offset points",
        color=palette.INK.light if is_asked else palette.MUTED.light,
        fontsize=11,
    )


def _draw_system(axes: Axes, chart: PumpChart, unit: str) -> None:
    flow = chart.system_flow_m3s * flow_in(unit, 1.0)
    head = chart.system_head_m * head_in(unit, 1.0)
    axes.plot(
        flow, head, color=palette.EXPECTED.light, linewidth=1.8, dashes=(8, 2, 1.5, 2), label="manifold", gid="system"
    )


def _draw_points(axes: Axes, chart: PumpChart, unit: str) -> None:
    """Open circles at the other speeds; a full one with lines to the axes, and its figures, where the plant runs."""
    points = as_array(
        [(flow_in(unit, point.pump_flow_m3s), head_in(unit, point.pump_head_m)) for point in chart.speeds]  # type: ignore[misc] # pairs of numbers, as an array [N, 2]
    )
    others = np.delete(points, chart.asked, axis=0)
    axes.plot(others[:, 0], others[:, 1], "o", markersize=6, markerfacecolor=palette.PAPER.light,
              markeredgecolor=palette.LEVEL.light, label="_others")  # fmt: skip
    flow, head = points[chart.asked]
    axes.plot([flow, flow, 0], [0, head, head], color=palette.INK.light, linewidth=0.9, dashes=(1.2, 2), label="_to")
    axes.plot([flow], [head], "o", markersize=9, color=palette.INK.light, label="operating point", linestyle="none")
    axes.text(
        1,
        1.03,
        f"at {_speed(chart.now)}: {_point(chart.now, unit)}",
        transform=axes.transAxes,
        ha="right",
        color=palette.INK.light,
        parse_math=False,
    )


def _shares(flow_m3s: Sequence[float], texts: Sequence[str]) -> Figure:
    flow = as_array(flow_m3s)
    figure, axes = new_canvas(ROW_PT * max(1, len(flow)) + 12)
    place_axes(figure, axes, (LABEL_PT, 112, 4, 8))
    row_axis(axes, len(flow))
    axes.set_xlim(min(0.0, float(flow.min())), max(float(flow.max()), 1e-12))
    axes.set_xticks([])
    axes.barh(range(len(flow)), flow, height=0.62, color=palette.MEASURED.light, linewidth=0)
    axes.axvline(0.0, color=palette.LEVEL.light, linewidth=1)
    axes.spines["bottom"].set_visible(False)
    for place, text in enumerate(texts):
        axes.annotate(
            text,
            (max(float(flow[place]), 0.0), place),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            color=palette.INK.light,
            annotation_clip=False,
            parse_math=False,
        )
    quieten(axes)
    axes.spines["bottom"].set_visible(False)
    return figure

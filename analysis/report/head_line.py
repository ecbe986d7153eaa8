"""The head line: how much head is left after every element, from the pump to an outlet."""

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analysis.prediction import PredictedRun, Prediction
from analysis.report import palette, words
from analysis.report.canvas import new_canvas, place_axes, row_axis
from analysis.report.svg import inline_svg
from config.plant import PUMP_NODE, Plant, Run
from config.units import head_in, head_unit, show_head

LABEL_CHARACTERS = 29
ROW_PT = 21
SHOWN_LEAST_M = 5e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadStep:
    """What takes head: an element, or a whole run before the branch; m above the sump's level before and after."""

    name: str
    before_m: float
    after_m: float

    @property
    def loss_m(self) -> float:
        """What it costs; below 0 where water runs backward."""
        return self.before_m - self.after_m


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadLine:
    """The way to the end of one run.

    Attributes:
        run: its name. from_m: the head at the pump's outlet. steps: in the order of the water.
        end_m: the level of the outlet, or the head at the node where the run ends.
        held_m: head that stands at a branch without flow and moves nothing: a shut valve holds it back, or (below 0)
            it does not reach the outlet.
        is_branch: it ends at an outlet.
    """

    run: str
    from_m: float
    steps: tuple[HeadStep, ...]
    end_m: float
    held_m: float
    is_branch: bool


def head_lines(plant: Plant, prediction: Prediction) -> tuple[HeadLine, ...]:
    """The way to every branch, runs before it in one step each, after the ways along the runs that branches share.

    A shared way leads to an inner run behind which there are branches only, with every element a step.

    Args:
        plant: as built.
        prediction: of it.
    """
    found = {run.name: run for run in prediction.runs}
    shared = [
        _line(plant, run, found, prediction, whole=False)
        for run in plant.runs
        if not run.is_branch and all(child.is_branch for child in plant.runs if child.start == run.end)
    ]
    return (*shared, *(_line(plant, run, found, prediction, whole=True) for run in plant.branches))


def _path(plant: Plant, run: Run) -> list[Run]:
    """The runs from the pump to this one."""
    feeders = {inner.end: inner for inner in plant.runs if inner.end is not None}
    path = [run]
    while path[0].start != PUMP_NODE:
        path.insert(0, feeders[path[0].start])
    return path


def _line(plant: Plant, run: Run, found: dict[str, PredictedRun], prediction: Prediction, *, whole: bool) -> HeadLine:
    """The head line of a run; with `whole` each run before it is one step."""
    heads = {node.name: node.head_m for node in prediction.nodes}
    start_m = heads[PUMP_NODE]
    costs: list[tuple[str, float]] = []
    for part in _path(plant, run):
        known = found[part.name]
        if whole and part is not run:
            costs.append((part.name, known.head_loss_m))
        else:
            costs.extend((loss.label, loss.head_loss_m) for loss in known.losses)
    steps, head_m = [], start_m
    for name, loss_m in costs:
        steps.append(HeadStep(name=name, before_m=head_m, after_m=head_m - loss_m))
        head_m -= loss_m
    end_m = heads[run.end] if run.end is not None else run.outlet_m or 0.0
    held_m = head_m - end_m if found[run.name].flow_m3s == 0.0 else 0.0
    return HeadLine(
        run=run.name, from_m=start_m, steps=tuple(steps), end_m=end_m, held_m=held_m, is_branch=run.is_branch
    )


def head_line_figure(line: HeadLine, unit: str, prefix: str) -> str:
    """The head line as bars that hang from one another, one a step, with what each costs."""
    rows = _rows(line, unit)
    said = "; ".join(f"{words.clean(row.name)} {row.text}" for row in rows)
    labels = {f"label-{place}": words.shortened(row.name, LABEL_CHARACTERS) for place, row in enumerate(rows)}
    return inline_svg(
        lambda: _figure(rows, unit),
        prefix=prefix,
        title=f"Head line to {words.clean(line.run)}",
        description=f"Head above the sump's level, and what takes it: {said}.",
        labels=labels,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """A bar from one head to another, its name and its words; `colour` and `filled` tell losses from levels."""

    name: str
    before_m: float
    after_m: float
    text: str
    is_loss: bool


def _rows(line: HeadLine, unit: str) -> list[_Row]:
    rows = [_level("pump gives", line.from_m, show_head(line.from_m, unit))]
    rows += [
        _Row(name=step.name, before_m=step.before_m, after_m=step.after_m, is_loss=True, text=_cost(step.loss_m, unit))
        for step in line.steps
    ]
    if abs(line.held_m) > SHOWN_LEAST_M:
        name = "held back, no flow" if line.held_m > 0 else "short of the outlet"
        text = show_head(abs(line.held_m), unit)
        rows.append(_Row(name=name, before_m=line.end_m + line.held_m, after_m=line.end_m, is_loss=True, text=text))
    end = "height of the outlet" if line.is_branch else "left at its end"
    return [*rows, _level(end, line.end_m, show_head(line.end_m, unit))]


def _level(name: str, head_m: float, text: str) -> _Row:
    return _Row(name=name, before_m=0.0, after_m=head_m, text=text, is_loss=False)


def _cost(loss_m: float, unit: str) -> str:
    """What a step takes, or with a plus what it gives back."""
    shown = show_head(abs(loss_m), unit)
    if shown.startswith("0.00 "):
        return f"<0.01{words.SPACE}{head_unit(unit)}" if loss_m else shown
    return f"{words.MINUS if loss_m > 0 else '+'}{shown}"


def _figure(rows: Sequence[_Row], unit: str) -> Figure:
    figure, axes = new_canvas(ROW_PT * len(rows) + 46)
    place_axes(figure, axes, (188, 76, 4, 42))
    row_axis(axes, len(rows))
    reach = [head_in(unit, head) for row in rows for head in (row.before_m, row.after_m)]
    axes.set_xlim(min(0.0, *reach), 1.02 * max(*reach, 1e-6))
    axes.locator_params(axis="x", nbins=5)
    axes.grid(visible=True, axis="x", color=palette.RULE.light, linewidth=0.6)
    axes.set_xlabel(f"head above the sump, {head_unit(unit)}", color=palette.MUTED.light, labelpad=2, parse_math=False)
    for place, row in enumerate(rows):
        _draw_row(axes, row, place, unit)
    _draw_line(axes, rows, unit)
    return figure


def _draw_row(axes: Axes, row: _Row, place: int, unit: str) -> None:
    before, after = head_in(unit, row.before_m), head_in(unit, row.after_m)
    axes.barh(
        place,
        after - before,
        left=before,
        height=0.6,
        facecolor=palette.EXPECTED.light if row.is_loss else "none",
        edgecolor=palette.EXPECTED.light if row.is_loss else palette.MEASURED.light,
        linewidth=0.8 if row.is_loss else 1.5,
    )
    axes.annotate(
        row.text,
        (1, place),
        xycoords=("axes fraction", "data"),
        xytext=(6, 0),
        textcoords="offset points",
        va="center",
        color=palette.INK.light,
        annotation_clip=False,
        parse_math=False,
    )


def _draw_line(axes: Axes, rows: Sequence[_Row], unit: str) -> None:
    """The line itself, step by step down to the outlet."""
    heads = [head_in(unit, row.after_m) for row in rows[:-1]]
    across = [head for head in heads for _ in range(2)]
    down = [edge for place in range(len(heads)) for edge in (place, place + 1)]
    axes.plot(across, down, color=palette.INK.light, linewidth=1.2, gid="head-line")

"""The manifold's tree laid out in rows: every run a row, the water going down the page and out to the right.

At each node the branches come first, then the side arms, each pushed in a step, and the header goes straight on. A
tall tree is cut between rows into strips, which stand side by side on a wide page and under one another on a phone.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.report.signs import parts_of
from config.plant import PUMP_NODE, Run

LEFT = 22.0
DEEPEST = 150.0
STEP = 26.0
PUMP_FOOT = 35.0
PUMP_HEIGHT = 60.0
BRANCH_HEIGHT = 98.0
INNER_HEIGHT = 60.0
PART_HEIGHT = 22.0
PIPE_DROP = 30.0
STRIP_HEIGHT = 690.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One run: its index in the plant, the upright that it starts at, its top and its height."""

    run: int
    x: float
    top: float
    height: float

    @property
    def pipe(self) -> float:
        """How far down the pipe of a branch lies."""
        return self.top + PIPE_DROP


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A stretch of pipe, upright or level, and the runs whose water is in it."""

    x0: float
    y0: float
    x1: float
    y1: float
    runs: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """The whole tree: rows from the top, and the lines between them."""

    rows: tuple[Row, ...]
    lines: tuple[Line, ...]
    height: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """A part of the tree that is drawn in one piece: the rows from `top` to `bottom`."""

    rows: tuple[Row, ...]
    top: float
    bottom: float


def tree_layout(runs: Sequence[Run]) -> Layout:
    """Rows and lines of a tree of runs; the pump's own place is above the first row.

    Args:
        runs: of the plant, in file order.
    """
    page = _Page(runs=runs, rows=[], lines=[], y=PUMP_HEIGHT, step=_step(runs))
    first = tuple(index for index, run in enumerate(runs) if run.start == PUMP_NODE)
    page.lines.append(Line(x0=LEFT, y0=PUMP_FOOT, x1=LEFT, y1=page.y, runs=first))
    _lay_node(page, PUMP_NODE, LEFT)
    return Layout(rows=tuple(page.rows), lines=tuple(page.lines), height=page.y)


def strips(layout: Layout) -> tuple[Strip, ...]:
    """The tree in pieces of about equal height, none much above STRIP_HEIGHT, cut between rows."""
    count = max(1, round(layout.height / STRIP_HEIGHT))
    wanted = layout.height / count
    pieces: list[Strip] = []
    rows: list[Row] = []
    top = 0.0
    for row in layout.rows:
        bottom = row.top + row.height
        if rows and len(pieces) < count - 1 and bottom - top > wanted + row.height / 2:
            pieces.append(Strip(rows=tuple(rows), top=top, bottom=row.top))
            rows, top = [], row.top
        rows.append(row)
    return (*pieces, Strip(rows=tuple(rows), top=top, bottom=layout.height))


@dataclass(slots=True, kw_only=True)
class _Page:
    """What has been laid out, and how far down."""

    runs: Sequence[Run]
    rows: list[Row]
    lines: list[Line]
    y: float
    step: float


def _step(runs: Sequence[Run]) -> float:
    """How far a side arm is pushed in: less where arms hang on arms many times over."""
    depth = _depth(runs, PUMP_NODE)
    return STEP if depth * STEP <= DEEPEST else DEEPEST / depth


def _arms(runs: Sequence[Run], node: str) -> tuple[list[int], list[int], int | None]:
    """What starts at a node: its branches, its side arms, and the header that goes straight on.

    The header is the inner run with most runs behind it, the first of the file among equals.
    """
    branches = [index for index, run in enumerate(runs) if run.start == node and run.is_branch]
    inner = [index for index, run in enumerate(runs) if run.start == node and not run.is_branch]
    header = max(inner, key=lambda index: _behind(runs, index), default=None)
    return branches, [index for index in inner if index != header], header


def _behind(runs: Sequence[Run], index: int) -> int:
    """How many runs hang on an inner run."""
    children = [child for child, run in enumerate(runs) if run.start == runs[index].end]
    return len(children) + sum(_behind(runs, child) for child in children if not runs[child].is_branch)


def _depth(runs: Sequence[Run], node: str) -> int:
    """How many side arms hang on one another from a node on."""
    _, side, header = _arms(runs, node)
    below = [1 + _depth(runs, runs[index].end or "") for index in side]
    straight = 0 if header is None else _depth(runs, runs[header].end or "")
    return max([straight, *below])


def _lay_node(page: _Page, node: str, x: float) -> None:
    branches, side, header = _arms(page.runs, node)
    left = [*branches, *side, *(() if header is None else (header,))]
    at = page.y
    for index in branches:
        row = Row(run=index, x=x, top=page.y, height=BRANCH_HEIGHT)
        page.lines.append(Line(x0=x, y0=at, x1=x, y1=row.pipe, runs=tuple(left)))
        page.rows.append(row)
        page.y += BRANCH_HEIGHT
        at = row.pipe
        left.remove(index)
    for index in side:
        turn = page.y + PIPE_DROP / 2
        page.lines.append(Line(x0=x, y0=at, x1=x, y1=turn, runs=tuple(left)))
        page.lines.append(Line(x0=x, y0=turn, x1=x + page.step, y1=turn, runs=(index,)))
        _lay_inner(page, index, x + page.step, turn)
        at = turn
        left.remove(index)
    if header is not None:
        _lay_inner(page, header, x, at)


def _lay_inner(page: _Page, index: int, x: float, from_y: float) -> None:
    height = max(INNER_HEIGHT, PART_HEIGHT * (1 + len(parts_of(page.runs[index]))))
    page.rows.append(Row(run=index, x=x, top=page.y, height=height))
    page.y += height
    page.lines.append(Line(x0=x, y0=from_y, x1=x, y1=page.y, runs=(index,)))
    _lay_node(page, page.runs[index].end or "", x)

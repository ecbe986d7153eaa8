"""The tree of runs lies on the page without a collision, whatever its shape."""

import dataclasses
import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.report.tree_rows import DEEPEST, LEFT, Layout, strips, tree_layout
from config.plant import Fitting, FittingKind, Run, Valve, ValveKind
from tests.support.manifolds import branch, pipe, riser


def inner(name: str, start: str, end: str) -> Run:
    """A run between two nodes."""
    return Run(name=name, start=start, end=end, path=(pipe(0.03),))


def long_header(count: int) -> tuple[Run, ...]:
    """A header with a branch at each of its nodes."""
    nodes = [f"n{place}" for place in range(count)]
    header = [
        inner(f"header {place}", before, after) for place, (before, after) in enumerate(itertools.pairwise(nodes))
    ]
    branches = [branch(f"branch {place}", start=node) for place, node in enumerate(nodes)]
    return (dataclasses.replace(riser(), end="n0"), *header, *branches)


@st.composite
def trees(draw: st.DrawFn) -> tuple[Run, ...]:
    """Any tree: each inner run hangs on the pump or an earlier node, and each node has a branch."""
    count = draw(st.integers(min_value=0, max_value=8))
    nodes = ["pump"]
    runs: list[Run] = []
    for place in range(count):
        nodes.append(f"n{place}")
        runs.append(inner(f"run {place}", draw(st.sampled_from(nodes[:-1])), nodes[-1]))
    ends = draw(st.lists(st.sampled_from(nodes), max_size=6))
    runs += [branch(f"branch {place}", start=node) for place, node in enumerate([*nodes[1:], *ends])]
    return tuple(draw(st.permutations(runs)))


def rows_in_order(layout: Layout) -> bool:
    """Whether each row begins where the one above it ends."""
    return all(above.top + above.height == below.top for above, below in itertools.pairwise(layout.rows))


@given(trees())
@settings(max_examples=60, deadline=None)
def test_every_run_has_a_row_of_its_own(runs: tuple[Run, ...]) -> None:
    """No run is left out, none stands twice, and the rows follow one another without a gap."""
    layout = tree_layout(runs)

    assert sorted(row.run for row in layout.rows) == list(range(len(runs)))
    assert rows_in_order(layout)


@given(trees())
@settings(max_examples=60, deadline=None)
def test_a_run_lies_below_the_one_that_feeds_it(runs: tuple[Run, ...]) -> None:
    """The water goes down the page only."""
    top = {runs[row.run].name: row.top for row in tree_layout(runs).rows}
    ends = {run.end: run.name for run in runs if run.end is not None}

    assert all(top[ends[run.start]] < top[run.name] for run in runs if run.start in ends)


@given(trees())
@settings(max_examples=60, deadline=None)
def test_every_branch_is_fed_by_a_line_that_carries_it(runs: tuple[Run, ...]) -> None:
    """Where a branch leaves its upright a line ends that holds the branch's water."""
    layout = tree_layout(runs)

    for row in layout.rows:
        if runs[row.run].is_branch:
            assert any((line.x1, line.y1) == (row.x, row.pipe) and row.run in line.runs for line in layout.lines)


def test_a_header_goes_straight_on() -> None:
    """A header with its branches stands in one upright, however long."""
    assert {row.x for row in tree_layout(long_header(12)).rows} == {LEFT}


def test_the_longer_arm_is_the_header() -> None:
    """Of two arms the one with more behind it goes straight, whichever the file names first."""
    runs = (
        riser(),
        inner("side", "tee", "corner"),
        branch("lone", start="corner"),
        inner("header", "tee", "end"),
        branch("first", start="end"),
        branch("second", start="end"),
    )
    x = {runs[row.run].name: row.x for row in tree_layout(runs).rows}

    assert x["header"] == x["second"] == x["riser"] == LEFT
    assert x["side"] == x["lone"] > LEFT


def test_arms_on_arms_stay_on_the_page() -> None:
    """Twenty arms, each hung on the one before beside a longer one, are pushed in less."""
    runs: list[Run] = [riser()]
    node = "tee"
    for place in range(20):
        runs += [inner(f"arm {place}", node, f"a{place}"), inner(f"long {place}", node, f"b{place}")]
        runs += [branch(f"a branch {place}", start=f"a{place}"), branch(f"b branch {place}", start=f"b{place}")]
        node = f"a{place}"

    assert max(row.x for row in tree_layout(runs).rows) <= LEFT + DEEPEST


@pytest.mark.parametrize("count", [1, 5, 6, 12, 24])
def test_strips_hold_every_row_once(count: int) -> None:
    """Cut into strips, no row is lost or doubled, and each strip begins where the last one ended."""
    layout = tree_layout(long_header(count))
    pieces = strips(layout)

    assert [row for piece in pieces for row in piece.rows] == list(layout.rows)
    assert all(above.bottom == below.top for above, below in itertools.pairwise(pieces))
    assert pieces[-1].bottom == layout.height


def test_strips_are_about_equal() -> None:
    """A row of twelve branches does not leave a stump at its end."""
    heights = [piece.bottom - piece.top for piece in strips(tree_layout(long_header(12)))]

    assert len(heights) > 1
    assert max(heights) < 1.3 * min(heights)


def test_a_run_with_many_parts_is_taller() -> None:
    """Four valves on a riser do not run into one another."""
    valves = tuple(Valve(kind=ValveKind.BALL, closed_deg=0.0) for _ in range(4))
    plain = tree_layout((riser(), branch("a"))).rows[0].height
    crowded = tree_layout((riser(pipe(0.03), Fitting(kind=FittingKind.UNION), *valves), branch("a"))).rows[0].height

    assert crowded > plain

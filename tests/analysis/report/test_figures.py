"""The pictures show what they should, and can stand in a page."""

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from analysis.assessment import Evidence
from analysis.report import canvas, course, palette
from analysis.report.content import Content, gather
from analysis.report.evidence import evidence_figure
from analysis.report.figures import completeness_figure, trend_figure
from tests.analysis.report import material


@pytest.fixture(scope="module")
def content() -> Content:
    """The rack's report, with a clogging carbon branch."""
    known = material.assessment(material.finding(), material.supply_finding())
    return gather(material.plant_file(), known, material.events(), material.rejected(), week=None)


def _lines(svg: str, role: palette.Role) -> list[str]:
    """The outlines of the lines in a colour: curves only, no markers (which lie in defs)."""
    root = ET.fromstring(svg)  # noqa: S314 - the project's own picture
    marks = {id(path) for defs in root.iter("defs") for path in defs.iter("path")}
    stroke = f"stroke: var(--{role.name})"
    return [
        path.attrib["d"]
        for path in root.iter("path")
        if id(path) not in marks and stroke in path.get("style", "") and path.attrib["d"].count("L") > 4
    ]


def _reach(outline: str) -> list[tuple[float, float]]:
    """First and last x of each unbroken piece of an outline that has a length."""
    pieces = []
    for piece in outline.split("M")[1:]:
        places = [float(x) for x in re.findall(r"(-?[\d.]+) -?[\d.]+", piece)]
        if len(places) > 1:
            pieces.append((places[0], places[-1]))
    return pieces


def test_gap_stays_open(content: Content) -> None:
    """Two days without readings are a hole in the measured line, as wide as two days, and none in the expected one."""
    svg = trend_figure(content.trends[0], content.period, "L/h", "x")
    (measured,), (expected,) = _lines(svg, palette.MEASURED), _lines(svg, palette.EXPECTED)
    before, after = _reach(measured)
    hour = (after[1] - before[0]) / (len(content.hours.hours_s) - 1)

    assert (after[0] - before[1]) / hour == pytest.approx(51, abs=1)
    assert len(_reach(expected)) == 1


def test_lone_hour_is_a_dot(content: Content) -> None:
    """The one hour that was read inside the gap is drawn as a marker."""
    svg = trend_figure(content.trends[0], content.period, "L/h", "x")

    assert np.isfinite(content.trends[0].flow_m3s).sum() == len(content.hours.hours_s) - 49
    assert len(re.findall(r"<use [^>]*--measured[^>]*>", svg)) == 1


def test_lines_differ_by_dash(content: Content) -> None:
    """Measured, expected, commissioned and target could be told apart without any colour."""
    svg = trend_figure(content.trends[2], content.period, "L/h", "x")
    dashes = {}
    for role in (palette.MEASURED, palette.EXPECTED, palette.LEVEL, palette.TARGET):
        styles = [style for style in re.findall(r'style="([^"]+)"', svg) if f"stroke: var(--{role.name})" in style]
        dashes[role.name] = {(re.findall(r"stroke-dasharray: ([^;]+)", style) or ["solid"])[0] for style in styles}
    dashes["level"] -= {"solid"}  # the axis is of the same grey

    assert all(len(found) == 1 for found in dashes.values())
    assert len(set.union(*dashes.values())) == 4


def test_trend_says_what_is_what(content: Content) -> None:
    """The legend names every line, and marks carry their sign."""
    svg = trend_figure(content.trends[2], content.period, "L/h", "x")
    texts = [text.text for text in ET.fromstring(svg).iter("text")]  # noqa: S314 - the project's own picture

    assert {"measured", "expected", "commissioned", "target", "A", "L/h"} <= set(texts)


def test_marks_outside_the_stretch_are_not_drawn(content: Content) -> None:
    """A supply finding's letter stands in the picture of the whole flow alone."""
    assert content.whole is not None
    signs = {trend.name: [mark.sign for mark in trend.marks if mark.is_finding] for trend in content.trends}

    assert [mark.sign for mark in content.whole.marks] == ["B", "1"]
    assert signs == {"return": [], "uv": [], "carbon": ["A"], "phosphate": [], "scrubber": []}


def test_nothing_fixed_remains(content: Content) -> None:
    """No colour, font or address of a file is left: the page decides."""
    svg = trend_figure(content.trends[2], content.period, "L/h", "x")

    assert re.findall(r"#[0-9a-f]{6}\b|font-family|https?:|<style|<metadata|xmlns", svg) == []


def test_same_figures_same_bytes(content: Content) -> None:
    """Drawing twice gives the same text, whatever was drawn in between."""
    first = trend_figure(content.trends[0], content.period, "L/h", "x")
    trend_figure(content.trends[1], content.period, "gal/h", "y")

    assert trend_figure(content.trends[0], content.period, "L/h", "x") == first


def test_no_flow_at_all_is_drawn(content: Content) -> None:
    """A meter that was silent throughout gives an empty picture that says so."""
    silent = material.assessment()
    silent.flow_m3s[:] = np.nan
    empty = gather(material.plant_file(), silent, (), (), week=None)

    assert "No flow is known" in trend_figure(empty.trends[0], content.period, "L/h", "x")


def _evidence(*changes: float) -> list[Evidence]:
    return [
        Evidence(
            meter=f"M{place}",
            measured_percent=change,
            low_percent=change - 0.4,
            high_percent=change + 0.4,
            expected_percent=change,
            rival_percent=None,
        )
        for place, change in enumerate(changes)
    ]


def test_evidence_has_a_close_up_of_what_is_small() -> None:
    """Where one change dwarfs the others there is a second scale; where all are alike there is none."""
    dwarfed = evidence_figure(_evidence(-30, 0.6, 0.7), ["a", "b", "c"], "x", "A")
    alike = evidence_figure(_evidence(-8, -6, -7), ["a", "b", "c"], "x", "A")

    assert ("close up" in dwarfed, "close up" in alike) == (True, False)


def test_names_reach_pictures_as_they_are() -> None:
    """A formula, markup, an emoji and Arabic stand in the picture as text, cut to fit."""
    names = ["$\\frac{x$", "</svg><b>&", "🐠", "سخان", "z" * 200]
    svg = evidence_figure(_evidence(1, 2, 3, 4, 5), names, "x", "A")
    texts = [text.text or "" for text in ET.fromstring(svg).iter("text")]  # noqa: S314 - the project's own picture

    assert {"$\\frac{x$", "</svg><b>&", "🐠", "سخان"} <= set(texts)
    assert max(map(len, texts)) <= max(canvas.LABEL_CHARACTERS, len("change since the onset, %"))


def test_completeness_shows_each_stretch(content: Content) -> None:
    """Each meter's strip is filled before the gap, at its lone hour and after it."""
    svg = completeness_figure(content.hours, list("abcde"), content.period, "x")

    assert len(re.findall(r'style="fill: var\(--measured\)', svg)) == 15


def test_long_stretches_are_thinned() -> None:
    """More hours than a picture has columns cost no more in the page than it can show."""
    month = gather(material.plant_file(trend_days=42), material.assessment(), (), (), week=None)
    points = sum(outline.count("L") for outline in _lines(_first(month), palette.MEASURED))

    assert 0 < points <= 2 * course.COLUMNS


def _first(content: Content) -> str:
    return trend_figure(content.trends[0], content.period, "L/h", "x")

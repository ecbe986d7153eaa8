"""The page holds together in a browser, in a screen reader and against hostile names."""

import collections
import itertools
import re
from dataclasses import replace

import pytest

from analysis.report.page import render_page
from tests.analysis.report import material
from tests.analysis.report.outline import Outline

HOSTILE = {
    "lagoon": "</title></script><script>alert(1)</script>{{ 7*7 }}",
    "carbon": "$\\frac{x$ </script>" + "z" * 200,
    "uv": "سخان الماء\N{RIGHT-TO-LEFT OVERRIDE}abc",
    "phosphate": "🐠 <img src=x onerror=alert(1)>",
    "return": 'a" onload="alert(1)\x07',
    "scrubber": "&lt;b&gt; ' {% raw %}",
}


@pytest.fixture(scope="module")
def plain() -> str:
    """The page of the rack."""
    known = material.assessment(material.finding(), material.supply_finding())
    return render_page(material.plant_file(), known, material.events(), material.rejected())


@pytest.fixture(scope="module")
def hostile() -> str:
    """The page of a rack whose names are traps."""
    known = material.assessment(material.finding(HOSTILE["carbon"]))
    return render_page(material.plant_file(HOSTILE), known, material.events(), material.rejected())


@pytest.fixture(params=["plain", "hostile"])
def page(request: pytest.FixtureRequest) -> str:
    """Each page in turn."""
    return str(request.getfixturevalue(request.param))


def test_page_is_well_formed(page: str) -> None:
    """Every element that opens is closed, in order."""
    outline = Outline(page)

    assert (outline.faults, outline.open) == ([], [])


def test_page_needs_nothing_from_outside(page: str) -> None:
    """No script, frame, font or picture is fetched: every reference points into the page."""
    outline = Outline(page)

    assert not outline.tags.keys() & {"script", "iframe", "link", "object", "embed", "base", "img"}
    assert not [name for name in outline.attributes if name.startswith("on")]
    assert all(link.startswith("#") for link in outline.links)
    assert not re.search(r"https?:|@import|url\((?!#)", page)


def test_ids_are_unique_and_links_lead_somewhere(page: str) -> None:
    """No id stands twice, and what is referred to is there."""
    outline = Outline(page)
    used = {link[1:] for link in outline.links} | set(re.findall(r"url\(#([^)]+)\)", page))

    assert [name for name, times in collections.Counter(outline.ids).items() if times > 1] == []
    assert used <= set(outline.ids)


def test_pictures_have_words(page: str) -> None:
    """Every picture is named and described for those who cannot see it."""
    outline = Outline(page)

    assert len(outline.svgs) == 5 + 1 + 1 + 1 + 1 + 1
    for svg in outline.svgs:
        assert svg["role"] == "img"
        assert set((svg["aria-labelledby"] or "").split()) <= set(outline.ids)
    assert outline.tags["desc"] == len(outline.svgs)


def test_headings_descend_in_steps(page: str) -> None:
    """One main heading, and no level is skipped on the way down."""
    headings = Outline(page).headings

    assert headings.count(1) == 1
    assert headings[0] == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(headings))


def test_language_and_width_are_said(page: str) -> None:
    """A screen reader knows the language, a phone the width."""
    assert '<html lang="en">' in page
    assert 'content="width=device-width, initial-scale=1"' in page


def test_hostile_names_stand_as_text(hostile: str) -> None:
    """Names are shown letter by letter: no markup, formula or template of theirs is acted on."""
    text = "".join(Outline(hostile).text)

    assert HOSTILE["lagoon"] in text
    assert "$\\frac{x$ </script>zzz" in text
    assert "🐠 <img src=x onerror=alert(1)>" in text
    assert "&lt;b&gt; ' {% raw %}" in text
    assert "\x07" not in hostile


def test_same_input_same_bytes(plain: str) -> None:
    """Writing the report twice gives the same file."""
    known = material.assessment(material.finding(), material.supply_finding())

    assert render_page(material.plant_file(), known, material.events(), material.rejected()) == plain


def test_work_comes_first(plain: str) -> None:
    """What to do this week stands before everything else, with the reason a click away."""
    outline = Outline(plain)

    assert plain.index('id="todo"') < plain.index('id="found"') < plain.index('id="branches"')
    assert "Change the media of carbon" in "".join(outline.text)
    assert "#finding-A" in outline.links


def test_nothing_to_do_is_said() -> None:
    """A quiet plant's report says so, with how much was seen."""
    text = "".join(Outline(render_page(material.plant_file(), material.assessment(), (), ())).text)

    assert "Nothing to do." in text
    assert "93\N{NO-BREAK SPACE}% of the hours" in text
    assert "No line was refused." in text


def test_gaps_are_pointed_out() -> None:
    """Where a good part of the hours is unknown the report does not let "nothing to do" stand alone."""
    known = material.assessment()
    known.flow_m3s[-300:] = float("nan")
    text = "".join(Outline(render_page(material.plant_file(), known, (), ())).text)

    assert "Mind the gaps" in text


@pytest.mark.parametrize(
    "caution", ["residual-current", "drip loop", "UV lamp", "Caustic lime water", "Local codes", "no substitute"]
)
def test_cautions_are_there(plain: str, caution: str) -> None:
    """The usual cautions stand on every report."""
    assert caution in plain


def test_a_weak_supply_is_a_finding_of_every_branch() -> None:
    """No metered branch stands there without the finding that moves its flow."""
    known = material.assessment(replace(material.supply_finding(), cleared_at_s=None))
    found = render_page(material.plant_file(), known, material.events(), material.rejected())

    assert found.count("</a> (supply)") == sum(run.meter is not None for run in material.plant_file().plant.branches)


def test_one_cause_has_no_column_for_a_second() -> None:
    """Where nothing rivals the first cause, the table of the evidence stays narrow."""
    first = material.finding()
    alone = replace(first, evidence=tuple(replace(row, rival_percent=None) for row in first.evidence))
    found, both = (
        render_page(material.plant_file(), material.assessment(known), material.events(), material.rejected())
        for known in (alone, first)
    )

    assert "Second cause" not in found
    assert "Second cause" in both


def test_evidence_is_a_table_too(plain: str) -> None:
    """Every figure of the evidence chart stands in a table as well."""
    text = re.sub(r"\s+", " ", " ".join(Outline(plain).text))

    assert "carbon M3 \N{MINUS SIGN}29.5 \N{MINUS SIGN}29.9 to \N{MINUS SIGN}29.1" in text


def test_alternatives_are_told(plain: str) -> None:
    """A finding names what else it could be, with its probability, and what no meter can tell apart."""
    text = "".join(Outline(plain).text)

    assert "less likely (16\N{NO-BREAK SPACE}%)" in text
    assert "No flow meter can tell these from one another" in text
    shown = text.replace("\N{FIRST STRONG ISOLATE}", "").replace("\N{POP DIRECTIONAL ISOLATE}", "")
    assert "carbon restricted and meter M3 reading wrong" in shown


def test_keepers_unit_is_used() -> None:
    """A plant that shows US gallons gets its report in them: 405 L/h are 107 gal/h."""
    page = render_page(material.plant_file(unit="gal/h"), material.assessment(), (), (), week="2026-W44")

    assert "flows in gal/h" in page
    assert ">107<" in page
    assert "L/h" not in page

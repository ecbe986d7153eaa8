"""The page of a prediction holds together, says what the prediction says, and takes hostile names as text."""

import collections
import dataclasses
import itertools
import re

import pytest

from analysis.hydraulics.network import Conditions, Constants, TeeLaw
from analysis.prediction import predict
from analysis.report.prediction_page import prediction_page
from config.plant import Device, Plant
from config.units import show_flow, show_head
from tests.analysis.report.outline import Outline
from tests.support.example_plants import example_plant

SIX = example_plant()
HOSTILE = (
    "</title></script><script>alert(1)</script>{{ 7*7 }}",
    "$\\frac{x$ </svg>" + "z" * 200,
    "سخان الماء\N{RIGHT-TO-LEFT OVERRIDE}abc",
    "🐠 <img src=x onerror=alert(1)>",
    'a" onload="alert(1)\x07',
    "&lt;b&gt; ' {% raw %}",
    "]]> -->",
)


def with_names(plant: Plant, names: tuple[str, ...]) -> Plant:
    """The plant with the names of its runs, nodes, devices and meters and its own exchanged for others."""
    called = [names[place % len(names)] + str(place) for place in range(len(plant.runs))]
    nodes = {run.end: f"{names[place % len(names)]} node {place}" for place, run in enumerate(plant.runs) if run.end}
    runs = tuple(
        dataclasses.replace(
            run,
            name=name,
            start=nodes.get(run.start, run.start),
            end=nodes.get(run.end) if run.end else None,
            path=tuple(
                dataclasses.replace(part, name=names[0]) if isinstance(part, Device) else part for part in run.path
            ),
            meter=names[1] if run.meter else None,
        )
        for name, run in zip(called, plant.runs, strict=True)
    )
    return dataclasses.replace(plant, name=names[0], runs=runs)


@pytest.fixture(scope="module")
def plain() -> str:
    """The page of the plant of six branches."""
    return prediction_page(SIX, predict(SIX))


@pytest.fixture(scope="module")
def hostile() -> str:
    """The page of a plant whose names are traps."""
    plant = with_names(SIX, HOSTILE)
    return prediction_page(plant, predict(plant))


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


def test_ids_are_unique_and_references_lead_somewhere(page: str) -> None:
    """No id stands twice, and what is referred to is there."""
    outline = Outline(page)
    used = {link[1:] for link in outline.links} | set(re.findall(r"url\(#([^)]+)\)", page))

    assert [name for name, times in collections.Counter(outline.ids).items() if times > 1] == []
    assert used <= set(outline.ids)


def test_pictures_have_words(page: str) -> None:
    """Every picture is named and described for those who cannot see it."""
    outline = Outline(page)

    # The schematic and its key, the pump, the shares, a head line for each branch and for the header.
    assert len(outline.svgs) == 1 + 1 + 1 + 1 + 6 + 1
    assert outline.tags["desc"] == len(outline.svgs)
    for svg in outline.svgs:
        assert svg["role"] == "img"
        assert set((svg["aria-labelledby"] or "").split()) <= set(outline.ids)


def test_headings_descend_in_steps(page: str) -> None:
    """One main heading, and no level is skipped on the way down."""
    headings = Outline(page).headings

    assert headings.count(1) == 1
    assert headings[0] == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(headings))


def test_hostile_names_stand_as_text(hostile: str) -> None:
    """Names are shown letter by letter: no markup, formula or template of theirs is acted on."""
    text = "".join(Outline(hostile).text)

    assert HOSTILE[0] in text
    assert "$\\frac{x$ </svg>zzz" in text
    assert "🐠 <img src=x onerror=alert(1)>" in text
    assert "\x07" not in hostile


def test_same_plant_same_bytes(plain: str) -> None:
    """Writing the page twice gives the same file."""
    assert prediction_page(SIX, predict(SIX)) == plain


def test_figures_are_the_predictions(plain: str) -> None:
    """Flow and range of every run, and the pump's point, stand on the page."""
    prediction = predict(SIX)
    text = re.sub(r"\s+", " ", " ".join(Outline(plain).text))

    for run in prediction.runs:
        low, high, flow = (show_flow(value, "L/h").removesuffix(" L/h") for value in (run.low_m3s, run.high_m3s, run.flow_m3s))  # fmt: skip
        assert f" {flow} {low} to {high} " in text
        assert show_head(run.head_loss_m, "L/h") in text
    assert show_flow(prediction.pump_flow_m3s, "L/h") in text


def test_notes_and_cautions_are_there(plain: str) -> None:
    """What the prediction warns of stands on the page, and the usual cautions."""
    text = "".join(Outline(plain).text)

    for run in predict(SIX).runs:
        assert all(note in text for note in run.warnings)
    for caution in ("residual-current", "UV lamp", "Caustic lime water", "Local codes"):
        assert caution in text


def test_keepers_unit_is_used() -> None:
    """A plant that shows US gallons gets its page in them, and heads in feet."""
    plant = dataclasses.replace(SIX, flow_unit="gal/h")
    page = prediction_page(plant, predict(plant))

    assert "L/h" not in page
    assert "head, ft" in page


def test_a_slow_pump_is_told() -> None:
    """At 60 % the return runs backward: its flow has a minus sign, and a note says so."""
    conditions = Conditions(speed=0.6)
    text = "".join(Outline(prediction_page(SIX, predict(SIX, conditions=conditions), conditions=conditions)).text)

    assert "The pump at 60\N{NO-BREAK SPACE}% of full speed" in text
    assert "runs backward" in text
    assert f"{predict(SIX, conditions=conditions).runs[1].flow_m3s * 3.6e6:,.0f}".replace("-", "\N{MINUS SIGN}") in text


@pytest.mark.parametrize("name", ["one_branch", "two_branches"])
def test_small_plants_have_their_page(name: str) -> None:
    """The smallest plants are drawn as well."""
    plant = example_plant(name)
    outline = Outline(prediction_page(plant, predict(plant)))

    assert (outline.faults, outline.open) == ([], [])
    assert len(outline.svgs) >= 4 + len(plant.branches)


def test_costs_are_on_the_page(plain: str) -> None:
    """Three elements of every branch stand on the page with what halving each would give."""
    text = re.sub(r"\s+", " ", " ".join(Outline(plain).text))

    for cost in predict(SIX).costs:
        assert cost.label in text
        assert cost.gain is not None
        assert f"{100 * cost.gain:.1f}" in text


def test_a_pump_that_is_overcome_is_told() -> None:
    """At 20 % the page says that the pump moves no water, and that the return's branch has no costs."""
    conditions = Conditions(speed=0.2)
    text = "".join(Outline(prediction_page(SIX, predict(SIX, conditions=conditions), conditions=conditions)).text)

    assert "moves no water" in text
    assert "Nothing flows outward." in text


def test_tees_by_split_are_told() -> None:
    """A prediction with tees by the split says so, and its pump's chart is of the same network."""
    constants = Constants(tees=TeeLaw.BY_SPLIT)
    prediction = predict(SIX, constants=constants)
    text = "".join(Outline(prediction_page(SIX, prediction, constants=constants)).text)

    assert "tees by how the flow splits" in text
    assert text.count(show_flow(prediction.pump_flow_m3s, "L/h")) > 1

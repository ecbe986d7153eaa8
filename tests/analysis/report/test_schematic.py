"""The schematic says what the prediction and the readings say."""

import dataclasses
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from analysis.hydraulics.network import Conditions
from analysis.prediction import Prediction, predict
from analysis.report.content import Content, gather
from analysis.report.readouts import Mark, Readout, Readouts, measured_readouts, predicted_readouts
from analysis.report.schematic import bore_words, part_words, schematic, schematic_key
from analysis.report.signs import fitted
from config.plant import Plant, Target, Valve, ValveKind
from config.units import show_flow
from tests.analysis.report import material
from tests.support.example_plants import example_plant, with_run

SIX = example_plant()
FENCES = str.maketrans("", "", "\N{FIRST STRONG ISOLATE}\N{POP DIRECTIONAL ISOLATE}")


@pytest.fixture(scope="module")
def prediction() -> Prediction:
    """Of the plant of six branches."""
    return predict(SIX)


def drawn(plant: Plant, readouts: Readouts) -> list[ET.Element]:
    """The strips of a schematic as XML."""
    return [
        ET.fromstring(strip)  # noqa: S314 - the project's own picture
        for strip in schematic(plant, readouts, prefix="x", title="Flows")
    ]


def texts(strips: list[ET.Element]) -> list[str]:
    """Every text that is drawn, in order, without the fences around names."""
    return [(text.text or "").translate(FENCES) for strip in strips for text in strip.iter("text")]


def widths(strips: list[ET.Element], length_over: float) -> list[float]:
    """How wide the level pipes longer than this are drawn."""
    found = []
    for path in (path for strip in strips for path in strip.iter("path")):
        line = re.fullmatch(r"M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)", path.get("d", ""))
        if line and line[2] == line[4] and float(line[3]) - float(line[1]) > length_over:
            found.append(float(path.attrib["stroke-width"]))
    return found


def test_every_flow_of_the_prediction_is_drawn(prediction: Prediction) -> None:
    """Each run stands with its name and its own flow, in the keeper's unit."""
    said = texts(drawn(SIX, predicted_readouts(SIX, prediction)))

    for run in prediction.runs:
        place = next(place for place, text in enumerate(said) if text in {run.name, f"{run.name}, to {_end(run.name)}"})
        assert show_flow(run.flow_m3s, "L/h") in said[place : place + 2]
    assert any(show_flow(prediction.pump_flow_m3s, "L/h") in text for text in said[-3:])


def _end(name: str) -> str | None:
    return next(run.end for run in SIX.runs if run.name == name)


def test_verdicts_are_in_words_and_targets_beside_them(prediction: Prediction) -> None:
    """The verdict stands in words with its target, so that neither shape nor colour is the only code."""
    said = texts(drawn(SIX, predicted_readouts(SIX, prediction)))

    assert "on target (220 to 420)" in said
    assert "on target (at least 3,500)" in said
    assert "on target, not sure (1,000 to 1,800)" in said


def test_marks_differ_in_shape() -> None:
    """Below and above target are triangles that point down and up, whatever their colour."""
    heads = {}
    for mark in (Mark.FITS, Mark.LOW, Mark.HIGH, Mark.NO_TARGET, Mark.UNKNOWN):
        runs = tuple(Readout(flow_m3s=1e-4, flow="360 L/h", mark=mark) for _ in SIX.runs)
        (strip,) = drawn(SIX, Readouts(runs=runs, pump=("pump", "")))
        drawn_marks = [
            group
            for group in strip.iter("g")
            if group.get("stroke-width") == "1.6" and group.get("fill") != "var(--card)"
        ]
        heads[mark] = "".join(f"{shape.tag}{shape.get('d', '')}{shape.get('r', '')}" for shape in drawn_marks[0])

    assert len(set(heads.values())) == len(heads)


def test_a_wider_pipe_carries_more(prediction: Prediction) -> None:
    """The branches' pipes are as wide as their flows rank."""
    strips = drawn(SIX, predicted_readouts(SIX, prediction))
    order = [row for row in prediction.runs if row.is_branch]
    drawn_widths = widths(strips, 200.0)

    assert len(drawn_widths) == len(order)
    assert np.argsort(drawn_widths).tolist() == np.argsort([run.flow_m3s for run in order]).tolist()


def test_a_shut_branch_is_dashed_and_its_valve_filled() -> None:
    """No flow is a dashed pipe, 0 in figures and "shut" in words."""
    carbon = next(run for run in SIX.runs if run.name == "carbon")
    path = tuple(
        Valve(kind=ValveKind.BALL, closed_deg=90.0) if isinstance(element, Valve) else element
        for element in carbon.path
    )
    plant = with_run(SIX, "carbon", path=path)
    strips = drawn(plant, predicted_readouts(plant, predict(plant)))
    dashed = [path for strip in strips for path in strip.iter("path") if path.get("stroke-dasharray") == "5 4"]

    assert len(dashed) == 1
    assert any("ball valve shut" in text for text in texts(strips))


def test_backward_flow_turns_the_arrow() -> None:
    """A return that drains at low speed has its arrow at the outlet point inward."""
    forward = predict(SIX)
    backward = predict(SIX, conditions=Conditions(speed=0.6))
    heads = [
        [path.attrib["d"] for strip in drawn(SIX, predicted_readouts(SIX, found)) for path in strip.iter("path")
         if re.fullmatch(r"M[\d.]+ [\d.]+l-?11-?6\.5v13z", path.attrib["d"])]
        for found in (forward, backward)
    ]  # fmt: skip

    assert backward.runs[1].flow_m3s < 0
    assert [head.count("l11-6.5v13z") for head in map("".join, heads)] == [0, 1]


def test_parts_stand_in_the_order_of_the_path() -> None:
    """Words beside a run name its valve, device and meter as the water meets them."""
    runs = {run.name: run for run in SIX.runs}

    assert part_words(runs["steriliser"]) == "ball valve 60\N{NO-BREAK SPACE}% open, UV steriliser, meter M2"
    assert part_words(runs["calcium"]) == "barb 4.0 mm, ball check valve"
    assert part_words(runs["calcium"], "gal/h") == "barb 0.16 in, ball check valve"
    assert bore_words(runs["header 1"], "gal/h") == "1.38, then 1.05 in bore"
    assert bore_words(runs["header 1"]) == "35.1, then 26.6 mm bore"
    assert bore_words(runs["steriliser"]) == "3/4 in sch 40 (20.9 mm)"


def test_long_names_are_cut_to_their_room() -> None:
    """A name is cut by the room it has, wide signs counting for more."""
    assert len(fitted("n" * 90, 100.0, 10.0)) < 30
    assert len(fitted("\N{FISH}" * 90, 100.0, 10.0)) < len(fitted("n" * 90, 100.0, 10.0))
    assert fitted("short", 100.0, 10.0).translate(FENCES) == "short"


def test_key_explains_every_mark() -> None:
    """Each shape that the schematic uses has its words in the key."""
    for measured in (True, False):
        key = schematic_key(prefix="key", measured=measured)
        for words in ("within its target", "below its target", "above its target", "no target set", "check valve"):
            assert words in key


@pytest.fixture(scope="module")
def content() -> Content:
    """The rack's report, with a clogging carbon branch and a weaker supply that is over."""
    known = material.assessment(material.finding(), material.supply_finding())
    return gather(material.plant_file(), known, material.events(), material.rejected(), week=None)


def test_readings_stand_with_their_runs(content: Content) -> None:
    """Each branch shows the mean of its last 24 hours; one without a meter says so."""
    found = dict(zip([run.name for run in content.plant.runs], measured_readouts(content).runs, strict=True))
    lines = {line.name: line for line in content.branches}

    assert found["return"].flow == show_flow(lines["return"].flow_m3s, "L/h")
    assert found["scrubber"].mark is Mark.NO_TARGET
    assert (found["refugium"].flow, found["refugium"].verdict) == ("", "not metered")


def test_findings_are_marked_where_they_lie(content: Content) -> None:
    """The open finding's letter stands on its branch; the supply's, which is over, nowhere."""
    readouts = measured_readouts(content)
    letters = {run.name: readout.letters for run, readout in zip(content.plant.runs, readouts.runs, strict=True)}

    assert letters["carbon"] == ("A",)
    assert [name for name, found in letters.items() if found] == ["carbon"]
    assert readouts.pump_letters == ()


def test_an_open_supply_finding_is_marked_at_the_pump() -> None:
    """A weaker supply lies at the pump."""
    known = material.assessment(dataclasses.replace(material.supply_finding(), cleared_at_s=None))
    readouts = measured_readouts(gather(material.plant_file(), known, (), (), week=None))

    assert readouts.pump_letters == ("A",)


def test_a_header_without_a_meter_is_summed_or_unknown(content: Content) -> None:
    """The header is the sum of its branches where all are measured, and unknown where one is not."""
    runs = tuple(run for run in content.plant.runs if run.name != "refugium")
    measured = dataclasses.replace(content, plant=dataclasses.replace(content.plant, runs=runs))
    total = sum(line.flow_m3s for line in content.branches if line.meter is not None)

    assert measured_readouts(content).runs[0].aside == "not measured"
    header = measured_readouts(measured).runs[0]
    assert (header.flow, header.aside) == (show_flow(total, "L/h"), "sum of its branches")


def test_a_target_of_no_bounds_is_none() -> None:
    """A target that sets nothing is not called met."""
    plant = with_run(SIX, "carbon", target=Target())
    readouts = predicted_readouts(plant, predict(plant))

    assert readouts.runs[[run.name for run in plant.runs].index("carbon")].verdict == "no target"

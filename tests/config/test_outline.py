"""The picture of a plant in text, and what is said about what its meters leave unseen."""

from config.outline import meter_feed, notes, outline
from config.parse import parse_plant
from config.plant import Plant
from tests.support.plant_files import REEF, changed


def plant_of(text: str) -> Plant:
    """The plant of a sound file."""
    return parse_plant(text, file="reef.toml").plant


def test_the_tree_is_drawn_from_the_pump_outward() -> None:
    """One line a run, with bores, outlets, targets and meters in the keeper's units."""
    assert outline(plant_of(REEF)) == (
        "pump: 4.20 m at the first point of its curve, 9,000 L/h at the last, at 90% speed",
        "`-- riser: 40.9 mm bore, 0.61 m long; to tee; no meter",
        "    |-- display: 35.0 mm then 26.6 mm bore, 2.50 m long; outlet 1.20 m above the sump, under water; meter M1",
        (
            "    `-- carbon: 13.9 mm then 12.7 mm bore, 1.40 m long; outlet 0.20 m above the sump; "
            "target 220 L/h to 420 L/h; can clog: granular carbon; meter M2"
        ),
    )


def test_a_target_may_have_one_bound() -> None:
    """In words."""
    low = outline(plant_of(changed(', high = "420 L/h"', "")))
    high = outline(plant_of(changed('low = "220 L/h", ', "")))

    assert "target 220 L/h or more" in low[-1]
    assert "target 420 L/h or less" in high[-1]


def test_an_unmetered_branch_is_named_with_what_follows() -> None:
    """A fault there shows in the other flows, if at all."""
    said = notes(plant_of(changed('meter = "M2"\n\n', "\n")))

    assert any(note.startswith("carbon has no meter") for note in said)
    assert any(note.startswith("meter M2 sits on no run") for note in said)
    assert any(note.startswith("1 metered run:") for note in said)


def test_no_meter_at_all_is_said_once() -> None:
    """Instead of once a branch."""
    said = notes(plant_of(REEF.replace('meter = "M1"\n', "").replace('meter = "M2"\n', "")))

    assert said[0].startswith("no run has a meter")
    assert not any("carbon has no meter" in note for note in said)


def test_a_meter_without_a_source_and_a_port_without_a_meter() -> None:
    """Both may be meant, and are said."""
    plant = plant_of(changed('source = { serial = "bench", channel = 1 }\n', ""))

    assert any("meter M1 has no source" in note for note in notes(plant))
    assert "serial port bench feeds no meter" in notes(plant)
    assert [meter_feed(meter) for meter in plant.meters] == ["log files", "broker shed, topic rack/2"]


def test_back_flow_through_an_outlet_under_water_is_a_caution() -> None:
    """Unless a check valve at the pump stops it."""
    open_pump = plant_of(changed("check_valve = true", "check_valve = false"))

    assert any("water drains back through display" in note for note in notes(open_pump))
    assert not any("drains back" in note for note in notes(plant_of(REEF)))

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
        "pump: shut-off head 4.20 m, curve to 9,000 L/h, at 90 % speed",
        "run            bore              length  node or outlet       target              meter  can clog",
        "`- riser       40.9 mm           0.61 m  tee                                      none",
        "   |- display  35.0 mm, 26.6 mm  2.50 m  1.20 m, under water                      M1",
        "   `- carbon   13.9 mm, 12.7 mm  1.40 m  0.20 m               220 L/h to 420 L/h  M2     granular carbon",
    )


def test_a_target_may_have_one_bound() -> None:
    """In words."""
    low = outline(plant_of(changed(', high = "420 L/h"', "")))
    high = outline(plant_of(changed('low = "220 L/h", ', "")))

    assert "  220 L/h or more  " in low[-1]
    assert "  420 L/h or less  " in high[-1]


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
    assert "serial port bench feeds no meter and no gauge" in notes(plant)
    assert [meter_feed(meter) for meter in plant.meters] == ["log files", "broker shed, topic rack/2"]


def test_back_flow_through_an_outlet_under_water_is_a_caution() -> None:
    """Unless a check valve at the pump stops it."""
    open_pump = plant_of(changed("check_valve = true", "check_valve = false"))

    assert any("water drains back through display" in note for note in notes(open_pump))
    assert not any("drains back" in note for note in notes(plant_of(REEF)))


def test_a_forgotten_tee_and_a_forgotten_exit_are_told() -> None:
    """Both cost head; a K of the keeper's own may stand for either, so nothing is said then."""
    bare = REEF.replace('  { tee = "run" },\n', "").replace("  { exit = true },\n", "", 1)
    said = " ".join(notes(plant_of(bare)))

    assert "display goes out from tee, and its path names no way through a tee" in said
    assert "display ends under water, and its path names no exit" in said
    assert "carbon goes out" not in said
    assert not any("path names no" in note for note in notes(plant_of(REEF)))
    own = bare.replace('{ check_valve = "swing" }', "{ K = 2.5 }")
    assert not any("path names no" in note for note in notes(plant_of(own)))


def test_an_outlet_above_the_shut_off_head_is_told() -> None:
    """4.2 m at full speed are 3.4 m at 90 % (affinity law: head goes with the square of the speed)."""
    plant = plant_of(changed('outlet = "1.2 m"', 'outlet = "3.41 m"'))

    assert any("display: its outlet lies above the pump's shut-off head of 3.40 m" in note for note in notes(plant))
    assert not any("shut-off" in note for note in notes(plant_of(changed('outlet = "1.2 m"', 'outlet = "3.39 m"'))))


def test_targets_beyond_the_end_of_the_curve_are_told() -> None:
    """9,000 L/h at full speed are 8,100 at 90 % (affinity law: flow goes with the speed)."""
    text = changed('low = "220 L/h", high = "420 L/h"', 'low = "8200 L/h"')

    assert any(
        "ask for 8,200 L/h together, and the pump's curve ends at 8,100 L/h" in note for note in notes(plant_of(text))
    )
    assert not any("ask for" in note for note in notes(plant_of(text.replace("8200", "8000"))))


def test_a_password_in_clear_text_is_told() -> None:
    """A broker with a user and no TLS."""
    assert any("clear text" in note for note in notes(plant_of(changed("tls = true\n", ""))))
    assert not any("clear text" in note for note in notes(plant_of(REEF)))


def test_a_curve_that_does_not_start_at_no_flow_names_its_first_point() -> None:
    """It has no shut-off head to show."""
    text = changed('["0 L/h", "4.2 m"]', '["1000 L/h", "4.1 m"]')

    assert outline(plant_of(text))[0] == "pump: 4.10 m at 1,000 L/h, curve to 9,000 L/h, at 90 % speed"

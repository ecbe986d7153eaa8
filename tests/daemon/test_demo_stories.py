"""The sample stories are found and read."""

from pathlib import Path

import pytest

from config.errors import InputMissing
from config.load import load_plant
from config.plant import SerialSource
from daemon.demo_live import live_plant_text
from daemon.demo_stories import PLANT_FILE, sample_folder, stories, story_named


def test_every_story_has_its_files_and_a_time() -> None:
    """Each listed story has a log that is there, events that are there or none, and an ISO time in UTC."""
    for story in stories(sample_folder()):
        assert story.log.is_file()
        assert story.events is None or story.events.is_file()
        assert story.commission_to == "2026-09-14T00:00:00Z"


def test_an_unknown_story_names_those_there_are() -> None:
    """The error lists the stories by name."""
    with pytest.raises(InputMissing, match="healthy, carbon_clogging"):
        story_named("nope", stories(sample_folder()))


def test_the_live_plant_wires_every_meter_to_a_channel(tmp_path: Path) -> None:
    """The sample plant with sources is a sound plant file, whatever characters the port's path holds."""
    port = tmp_path / "it's “here” 🐠" / "port"
    live = tmp_path / "live.toml"
    live.write_text(live_plant_text((sample_folder() / PLANT_FILE).read_text(), port))
    plant = load_plant(live).plant
    wired = {meter.name: meter.source for meter in plant.meters}
    assert wired == {f"M{channel}": SerialSource(port="bench", channel=channel) for channel in range(1, 6)}
    assert plant.serial_ports[0].port == str(port)

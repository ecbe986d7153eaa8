"""The sample logs are what their generator tells, and what it tells is plumbing that obeys physics."""

import csv
import gzip
import tomllib
from typing import Any

import numpy as np
import pytest

from config.load import load_plant
from tests.stories.counter import METERS, START
from tests.stories.rack import BRANCHES, PUMP_CURVE_LPH_M, Hour, Rack, ball_valve_k, sea_water_viscosity_m2s
from tests.stories.stories import STORIES, Story, tell
from tests.stories.write import SAMPLE_LOGS

LIMIT_BYTES = 6_000_000
WARM_M2S = sea_water_viscosity_m2s(25.5)


def story_named(name: str) -> Story:
    """One story by its name."""
    return next(story for story in STORIES if story.name == name)


def changes_percent(hour: Hour) -> dict[str, float]:
    """What an hour's faults make of every branch's flow, against the healthy rack."""
    with Rack() as rack:
        healthy = rack.solve(Hour(viscosity_m2s=WARM_M2S))
        faulty = rack.solve(hour)
    return {name: 100 * (faulty[name] / healthy[name] - 1) for name in BRANCHES}


def listed_stories() -> list[dict[str, Any]]:
    """The stories as stories.toml lists them."""
    stories: list[dict[str, Any]] = tomllib.loads((SAMPLE_LOGS / "stories.toml").read_text())["story"]
    return stories


@pytest.mark.parametrize("name", ["meter_stuck", "valve_nudged"])
def test_a_story_told_again_is_the_log_that_is_kept(name: str) -> None:
    """The kept log and events come from the generator, byte for byte."""
    told = tell(story_named(name))
    events = SAMPLE_LOGS / f"{name}_events.csv"
    assert gzip.decompress((SAMPLE_LOGS / f"{name}.csv.gz").read_bytes()) == told.log.encode()
    assert (events.read_bytes() if events.exists() else b"") == told.events.encode()


def test_all_logs_together_stay_small() -> None:
    """A checkout carries less than 6 MB of sample logs."""
    assert sum(path.stat().st_size for path in SAMPLE_LOGS.iterdir()) < LIMIT_BYTES


def test_every_story_is_listed_with_files_that_are_there() -> None:
    """stories.toml names the generator's stories, and each log and events file that it names is kept."""
    assert [entry["name"] for entry in listed_stories()] == [story.name for story in STORIES]
    named = {entry[key] for entry in listed_stories() for key in ("log", "events") if key in entry}
    assert named == {path.name for path in SAMPLE_LOGS.iterdir() if ".csv" in path.name}


def test_every_story_is_in_the_readme() -> None:
    """The folder's README has a row for each story."""
    readme = (SAMPLE_LOGS / "README.md").read_text()
    assert all(f"| `{story.name}` |" in readme for story in STORIES)


def test_onsets_in_the_list_are_the_generators() -> None:
    """Up to the onset that stories.toml gives nothing is wrong, and an hour later something is."""
    for entry in listed_stories():
        if "finding" not in entry:
            continue
        story = story_named(entry["name"])
        onset = np.datetime64(entry["finding"]["onset"].replace(tzinfo=None), "h")
        hour = int((onset - START.astype("datetime64[h]")).astype(int))
        ordinary = story.faults_at(0)
        assert story.faults_at(hour - 1) == ordinary
        assert story.faults_at(hour + 1) != ordinary


def test_the_first_week_is_healthy_in_every_story() -> None:
    """Nothing goes wrong before the time up to which a story is to be commissioned."""
    for story in STORIES:
        assert all(story.faults_at(hour) == story.faults_at(0) for hour in range(7 * 24))


def test_the_plant_file_names_the_generators_meters_and_pump() -> None:
    """The plant file loads, its meters are the generator's by name, branch and label, its pump the generator's."""
    plant = load_plant(SAMPLE_LOGS / "lagoon_rack.toml").plant
    in_file = {(run.meter, run.name) for run in plant.branches}
    assert in_file == {(meter.name, meter.branch) for meter in METERS}
    labels = {meter.name: meter.k_points[0][1] for meter in plant.meters}
    assert labels == {meter.name: meter.pulses_per_litre for meter in METERS}
    curve_lph = [(flow_m3s * 3.6e6, head_m) for flow_m3s, head_m in plant.pump.curve]
    assert np.allclose(curve_lph, PUMP_CURVE_LPH_M)


def test_a_clogged_bed_lowers_its_branch_and_lifts_all_others() -> None:
    """One branch restricted leaves more head for every other one."""
    changes = changes_percent(Hour(viscosity_m2s=WARM_M2S, bed_factor={"carbon": 5.0}))
    assert changes.pop("carbon") < -25
    assert all(0.2 < change < 12 for change in changes.values())


def test_a_weaker_pump_lowers_every_branch_and_the_return_most() -> None:
    """The branch that is lifted highest pays most for lost head."""
    changes = changes_percent(Hour(viscosity_m2s=WARM_M2S, head_factor=0.9))
    assert all(change < -1 for change in changes.values())
    assert min(changes, key=lambda name: changes[name]) == "return"


def test_the_valve_table_holds_its_published_row() -> None:
    """Part-open plug cock, Perry-type table: K 1.56 at 20, 17.3 at 40, 206 at 60 degrees."""
    assert [round(ball_valve_k(angle), 2) for angle in (20, 40, 60)] == [1.56, 17.3, 206.0]


def test_viscosity_agrees_with_a_published_point_between() -> None:
    """Sea water at 25 degC: 0.93713e-6 m2/s in ITTC 7.5-02-01-03, table 3; within 0.5 %."""
    assert sea_water_viscosity_m2s(25.0) == pytest.approx(0.93713e-6, rel=0.005)


def test_a_stopped_pump_gives_no_pulses_on_any_meter() -> None:
    """Inside a feed pause the counts of all meters stand still."""
    told = tell(story_named("meter_stuck"), days=1)
    pauses = [row for row in csv.DictReader(told.events.splitlines()) if row["kind"] == "feed_pause"]
    start = np.datetime64(pauses[0]["time_utc"].rstrip("Z"), "s")
    counts: dict[str, set[str]] = {}
    for row in csv.DictReader(told.log.splitlines()):
        if row["pulses"] and start + 61 < np.datetime64(row["time_utc"].rstrip("Z"), "s") < start + 540:
            counts.setdefault(row["meter"], set()).add(row["pulses"])
    assert {meter: len(seen) for meter, seen in counts.items()} == dict.fromkeys(("M1", "M2", "M3", "M4", "M5"), 1)

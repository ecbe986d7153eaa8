"""The demo's tour: what a branch should get, what the meters say, what is wrong, and what to do about it."""

import json
import pathlib
import shlex
import shutil
import sys
from dataclasses import dataclass
from typing import Any

import click

from config.load import load_plant
from config.plant import Plant, Target
from config.units import flow_from, show_flow
from daemon import demo_folder, demo_live, demo_stories
from daemon.demo_steps import ALARM_ACTIVE, Steps, run_command
from daemon.demo_stories import PLANT_FILE, Story

LIVE = "live"
REPORT = "report.html"
SECONDS_AN_HOUR = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Where the demo puts things, all inside its folder."""

    folder: pathlib.Path

    @property
    def plant(self) -> pathlib.Path:
        """The plant file."""
        return self.folder / PLANT_FILE

    @property
    def db(self) -> pathlib.Path:
        """The database, where the commands look for it by themselves."""
        return self.plant.with_suffix(".db")

    @property
    def report(self) -> pathlib.Path:
        """The page to open."""
        return self.folder / REPORT

    @property
    def live(self) -> pathlib.Path:
        """What the live part leaves: its plant file and database."""
        return self.folder / LIVE

    def names(self, story: Story) -> tuple[str, ...]:
        """Every name the demo may make in its folder."""
        logs = [path.name for path in (story.log, story.events) if path]
        beside = [f"{self.db.name}{suffix}" for suffix in ("", "-wal", "-shm", "-journal")]
        return (PLANT_FILE, *logs, *beside, REPORT, LIVE)


def run(folder: pathlib.Path, *, story_name: str, seconds: float, force: bool) -> None:
    """Give the tour.

    Raises:
        ClearboreError: if the folder is taken, there is no such story, or a step fails.
    """
    samples = demo_stories.sample_folder()
    told = demo_stories.stories(samples)
    story = demo_stories.story_named(story_name, told)
    places = Places(folder=folder)
    demo_folder.prepare(folder, places.names(story), force=force)
    for path in (samples / PLANT_FILE, story.log, story.events):
        if path:
            shutil.copyfile(path, folder / path.name)
    steps = Steps()
    steps.heading("The whole job on one rack, from the plant file to the report")
    steps.say("The rack and its figures are invented. Nothing is set up and nothing is sent anywhere.")
    plant = load_plant(places.plant).plant
    flows_lph = _show_plant(steps, places, plant)
    _show_live(steps, places, plant, flows_lph, seconds)
    _show_story(steps, places, story)
    _say_what_next(steps, places, story, told)


def _show_plant(steps: Steps, places: Places, plant: Plant) -> dict[str, float]:
    """What every branch should get by the plant file, L/h by run."""
    steps.heading(f"1. What every branch of the {plant.name} should get")
    with steps.step("clearbore check, predict: no faults, hydraulics solved"):
        run_command("check", str(places.plant))
        predicted: dict[str, Any] = json.loads(run_command("predict", str(places.plant), "--json").out)
    flows_lph = {run["name"]: float(run["flow_l_per_h"]) for run in predicted["runs"]}
    rows = [
        (branch.name, _flow(plant, flows_lph[branch.name]), _target(plant, branch.name)) for branch in plant.branches
    ]
    steps.table(("branch", "should get", "target"), rows)
    return flows_lph


def _show_live(steps: Steps, places: Places, plant: Plant, flows_lph: dict[str, float], seconds: float) -> None:
    """A simulated counter, through the collector, and what the database then holds."""
    steps.heading("2. What every branch does get")
    steps.say(
        "A simulated pulse counter sends on a serial line, as a real one would; a few per cent off, as racks are."
    )
    bench = demo_live.Bench(folder=places.live)
    bench.folder.mkdir(exist_ok=True)
    text = demo_live.live_plant_text(places.plant.read_text(encoding="utf-8"), bench.port)
    bench.plant.write_text(text, encoding="utf-8")
    rates_hz = _rates_hz(plant, flows_lph)
    with steps.step(f"clearbore collect: {seconds:g} seconds heard and stored") as tell:
        demo_live.listen(bench, rates_hz=rates_hz, seconds=seconds, tell=tell)
        words = ("status", str(bench.plant), "--db", str(bench.db), "--json")
        status: dict[str, Any] = json.loads(run_command(*words, fine=(0, ALARM_ACTIVE)).out)
    rows = [
        (
            heard["name"],
            heard["run"],
            f"{heard['pulses']}",
            _heard_flow(plant, heard),
            _flow(plant, flows_lph[heard["run"]]),
        )
        for heard in status["meters"]
    ]
    steps.table(("meter", "branch", "pulses", "flow now", "should get"), rows)


def _show_story(steps: Steps, places: Places, story: Story) -> None:
    """The sample log, all the way to the report."""
    steps.heading(f'3. What is wrong: the sample story "{story.title}"')
    plant, db = str(places.plant), str(places.db)
    events = ("--events", str(places.folder / story.events.name)) if story.events else ()
    with steps.step("clearbore load: weeks of minutes brought into the database"):
        run_command("load", plant, str(places.folder / story.log.name), *events, "--db", db)
    with steps.step("clearbore commission: plant fitted to its healthy first week"):
        run_command("commission", plant, "--db", db, "--to", story.commission_to)
    with steps.step("clearbore diagnose: every hour since then looked at in turn"):
        diagnosis = run_command("diagnose", plant, "--db", db, fine=(0, ALARM_ACTIVE))
    with steps.step("clearbore report: page written"):
        run_command("report", plant, "--db", db, "--out", str(places.report))
    click.echo()
    steps.quote(diagnosis.out)
    click.echo()
    steps.say(f"What was done to the rack in this story: {story.shows[0].lower()}{story.shows[1:]}")


def _say_what_next(steps: Steps, places: Places, story: Story, told: tuple[Story, ...]) -> None:
    """Name the page to open, and what can be tried."""
    steps.heading("4. See for yourself")
    steps.say("Open the report in a browser:")
    steps.literal(str(places.report.absolute()))
    click.echo()
    steps.say("Everything is in that folder, so you can go on from here:")
    plant, name = shlex.quote(str(places.plant)), program(sys.argv[0])
    steps.literal(f"{name} predict {plant} --speed '80 %'\n{name} diagnose {plant}\n{name} journal {plant}")
    click.echo()
    others = ", ".join(other.name for other in told if other.name != story.name)
    steps.say(f"Other stories: {others}. Tell one with `{name} demo --story NAME`.")
    click.echo()
    steps.say(f"Your own rack: copy the plant file, describe your rack in it, and run `{name} check` on it.")


def program(called: str) -> str:
    """How to call the program: by its name where the shell finds it, else as it was called just now (`called`)."""
    by_path = pathlib.Path(called).name == "clearbore" and shutil.which("clearbore") is None
    return shlex.quote(called) if by_path else "clearbore"


def _rates_hz(plant: Plant, flows_lph: dict[str, float]) -> dict[str, float]:
    """Pulses a second of every meter at these flows, in the order of the plant file's meters."""
    rates = {}
    for meter in plant.meters:
        run = plant.run_of_meter(meter.name)
        if run is not None:
            rates[meter.name] = flows_lph[run.name] / SECONDS_AN_HOUR * meter.k_points[0][1]
    return rates


def _flow(plant: Plant, flow_lph: float) -> str:
    return show_flow(flow_from("L/h", flow_lph), plant.flow_unit)


def _heard_flow(plant: Plant, heard: dict[str, Any]) -> str:
    """A meter's flow by its status, in the plant's unit; none after too few readings."""
    flow_lph = heard["flow_l_per_h"]
    return "not yet known" if flow_lph is None else _flow(plant, flow_lph)


def _target(plant: Plant, branch: str) -> str:
    """The branch's target in the plant's unit."""
    target = next(run.target for run in plant.branches if run.name == branch)
    if target is None:
        return "none set"
    low, high = (show_flow(bound, plant.flow_unit) if bound is not None else "" for bound in _bounds(target))
    if low and high:
        return f"{low.removesuffix(f' {plant.flow_unit}')} to {high}"
    return f"at least {low}" if low else f"at most {high}"


def _bounds(target: Target) -> tuple[float | None, float | None]:
    return target.low_m3s, target.high_m3s

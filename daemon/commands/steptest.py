"""`clearbore steptest`: a step of the pump's speed that tells causes apart which look alike at one speed."""

import importlib.util
import json
import pathlib

import click

from analysis.events import Event
from config.errors import ExtraMissing, QuantityError
from config.load import load_plant
from config.settings import PlantFile
from config.units import SHARE, read_quantity
from daemon import clock
from daemon.journal_entry import EventRefused
from daemon.loading.exact import AHEAD_MS, EARLIEST_MS
from daemon.progress import hours_judged
from daemon.step_journal import write_begin, write_end
from daemon.store.opening import default_path
from daemon.times import time_given

LEAST_MINUTES, MOST_MINUTES = 3.0, 60.0


@click.command(
    name="steptest",
    epilog="Exit codes: 66 no readings, no step to read, or the plant has not been commissioned. Look at the animals"
    " while the pump is slower; a UV lamp or a reactor wants the least flow that its maker gives.",
)
@click.argument("plant", type=click.Path(dir_okay=False, path_type=pathlib.Path))
@click.option("--plan", is_flag=True, help="Plan a step instead of reading the last one.")
@click.option("--to", "to_texts", multiple=True, help='Plan for this speed, as "80 %"; may be given several times.')
@click.option(
    "--minutes",
    type=click.FloatRange(LEAST_MINUTES, MOST_MINUTES),
    default=10.0,
    show_default=True,
    help="How long the planned step is to last.",
)
@click.option("--begin", help='Write into the journal that the pump is set to this speed now, as "80 %".')
@click.option("--end", is_flag=True, help="Write into the journal that the pump is set back now.")
@click.option(
    "--at",
    "at_text",
    help="As if it were this time: 2026-11-22T14:00 by the plant's clock, or in UTC with a Z. Reads the last step that"
    " was over by then and nothing later; with --begin or --end, when it was.",
)
@click.option(
    "--db",
    type=click.Path(dir_okay=False, path_type=pathlib.Path),
    help="The database.  [default: beside the plant file, with the suffix .db]",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
def command(  # noqa: PLR0913 - one parameter an option
    plant: pathlib.Path,
    *,
    plan: bool,
    to_texts: tuple[str, ...],
    minutes: float,
    begin: str | None,
    end: bool,
    at_text: str | None,
    db: pathlib.Path | None,
    as_json: bool,
) -> None:
    """Tell apart, on PLANT, what looks alike at one speed: the pump runs slower for ten minutes, and back.

    Reads the last such step of the journal and says what it speaks for. With --plan or --to it says beforehand which
    step would tell most, and what it does to the branches.
    """
    planning = plan or bool(to_texts)
    if planning + (begin is not None) + end > 1:
        raise click.UsageError("plan (--plan, --to), --begin and --end are three things: give one at a time")
    plant_file = load_plant(plant)
    database = db or default_path(plant)
    at_s = time_given(at_text, plant_file.plant.timezone, "--at")
    if begin is not None or end:
        _write(plant_file, database, begin, at_s=clock.now_s() if at_s is None else at_s, as_json=as_json)
        return
    if planning and at_s is not None:
        raise click.UsageError("--at goes with reading, --begin and --end: a plan is for now")
    if importlib.util.find_spec("numpy") is None:
        raise ExtraMissing("steptest", "numpy")
    if planning:
        to = [_fraction(text, "--to") for text in to_texts]
        _plan(plant_file, database, to, minutes=minutes, as_json=as_json)
    else:
        _read(plant_file, database, at_s, as_json=as_json)


def _plan(plant_file: PlantFile, db: pathlib.Path, to: list[float], *, minutes: float, as_json: bool) -> None:
    """Plan a step and show it."""
    from daemon import step_words, stepping  # noqa: PLC0415 - numpy, which the base install may lack

    try:
        with hours_judged() as tell:
            planned = stepping.plan_stored(plant_file, db, to=to, seconds=60.0 * minutes, tell=tell)
    except stepping.StepTooSmallError as small:
        raise click.BadParameter(str(small), param_hint="--to") from None
    for line in step_words.plan_lines(plant_file.plant, plant_file.path, planned):
        click.echo(line, err=as_json)
    if as_json:
        click.echo(json.dumps(step_words.plan_json(plant_file.path, planned), ensure_ascii=False))


def _read(plant_file: PlantFile, db: pathlib.Path, at_s: float | None, *, as_json: bool) -> None:
    """Read the last step and show what it tells."""
    from daemon import step_words, stepping  # noqa: PLC0415 - numpy, as above

    with hours_judged() as tell:
        read = stepping.read_stored(plant_file, db, at_s=at_s, tell=tell)
    for line in step_words.reading_lines(plant_file.plant, read):
        click.echo(line, err=as_json)
    if as_json:
        click.echo(json.dumps(step_words.reading_json(read), ensure_ascii=False))


def _write(plant_file: PlantFile, db: pathlib.Path, begin: str | None, *, at_s: float, as_json: bool) -> None:
    """Write one end of the step into the journal."""
    if not EARLIEST_MS <= at_s * 1000 <= clock.now_s() * 1000 + AHEAD_MS:
        raise click.BadParameter("an entry lies between the year 2000 and tomorrow", param_hint="--at")
    try:
        if begin is not None:
            event = write_begin(plant_file.plant, db, speed=_fraction(begin, "--begin"), at_s=at_s)
        else:
            event = write_end(plant_file.plant, db, at_s=at_s)
    except EventRefused as refused:
        raise click.UsageError(str(refused)) from None
    click.echo(f"written down: pump_speed pump {event.value} ({clock.utc_text(event.at_s)})", err=True)
    if as_json:
        click.echo(json.dumps(_machine(event), ensure_ascii=False))


def _machine(event: Event) -> dict[str, str | float]:
    """An entry for machines."""
    return {
        "at": clock.utc_text(event.at_s),
        "kind": event.kind.value,
        "target": event.target,
        "value": event.value,
    }


def _fraction(text: str, option: str) -> float:
    try:
        return read_quantity(text, SHARE, low=0.05, high=1.5)
    except QuantityError as error:
        raise click.BadParameter(str(error), param_hint=option) from None

"""`clearbore load`: log files, events and gauge files into the database."""

import importlib.util
import json
import pathlib
import sys

import click

from config.errors import ExtraMissing, InputUnusable
from config.load import load_plant
from daemon import clock
from daemon.store.opening import default_path


@click.command(
    name="load",
    epilog="A log is CSV with the columns time_utc,meter,pulses and perhaps uptime_s: times in ISO 8601 with Z, pulses"
    " the cumulative count as the counter sent it. Lines may be late, doubled or out of order.",
)
@click.argument("plant", type=click.Path(path_type=pathlib.Path))
@click.argument("logs", metavar="[LOG]...", nargs=-1, type=click.Path(path_type=pathlib.Path))
@click.option(
    "--events",
    type=click.Path(path_type=pathlib.Path),
    help="An events file for the journal: CSV with the columns time_utc,kind,target,value.",
)
@click.option(
    "--gauges",
    multiple=True,
    type=click.Path(path_type=pathlib.Path),
    help="A gauge file: CSV with the columns time_utc,channel,value, where a channel is a gauge's name. May be repeated.",
)
@click.option("--again", is_flag=True, help="Read files that are in once more, as after adding a meter to the plant.")
@click.option(
    "--db",
    type=click.Path(path_type=pathlib.Path),
    help="The database.  [default: beside the plant file, with the suffix .db]",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
def command(  # noqa: PLR0913 - one parameter an option
    plant: pathlib.Path,
    logs: tuple[pathlib.Path, ...],
    *,
    events: pathlib.Path | None,
    gauges: tuple[pathlib.Path, ...],
    again: bool,
    db: pathlib.Path | None,
    as_json: bool,
) -> None:
    """Load the readings of LOG files, plain or gzip, into the database of the plant file PLANT.

    Loading a file twice changes nothing. Bad lines are counted, kept in quarantine and shown; none stops the load.
    """
    if not logs and events is None and not gauges:
        raise click.UsageError("name at least one log file, or --events FILE, or --gauges FILE")
    if importlib.util.find_spec("numpy") is None:
        raise ExtraMissing("load", "numpy")
    from daemon.loading import session, summary  # noqa: PLC0415 - numpy, which the base install may lack

    plant_file = load_plant(plant)
    order = session.Order(database=db or default_path(plant), logs=logs, events=events, again=again, gauges=gauges)
    total = sum(path.stat().st_size for path in (*logs, *gauges) if path.is_file())
    with click.progressbar(
        length=max(total, 1), label="Loading", file=sys.stderr, hidden=not sys.stderr.isatty()
    ) as progress:
        outcome = session.load_all(plant_file, order, now_s=clock.now_s(), tell=progress.update)
    for line in summary.summary_lines(outcome):
        click.echo(line, err=as_json)
    if as_json:
        click.echo(json.dumps(summary.summary_json(outcome), ensure_ascii=False))
    barren = summary.barren(outcome.logs)
    if barren:
        raise InputUnusable(
            f"{', '.join(barren)}: not one line is a reading of this plant, whose meters are "
            f"{', '.join(meter.name for meter in plant_file.plant.meters) or 'none'}: the log must name them as the plant "
            "file does. An events file is given with --events, a gauge file with --gauges"
        )
    barren = summary.barren(outcome.gauges)
    if barren:
        raise InputUnusable(
            f"{', '.join(barren)}: not one line is a value of this plant's gauges, which are "
            f"{', '.join(plant_file.plant.gauge_names)}: the column channel must name them as the plant file does"
        )

"""`clearbore diagnose`: what is wrong, since when, and what to do."""

import importlib.util
import json
import pathlib
import sys

import click

from config.errors import ExtraMissing
from config.load import load_plant
from daemon.progress import hours_judged
from daemon.store.opening import default_path
from daemon.times import time_given


@click.command(
    name="diagnose",
    epilog="Exit codes: 0 nothing is wrong, 1 a finding is open; 66 no readings, or the plant has not been commissioned;"
    " 78 the plant file has faults.",
)
@click.argument("plant", type=click.Path(dir_okay=False, path_type=pathlib.Path))
@click.option(
    "--until",
    help="Use nothing later than this time: 2026-11-22T14:00 by the plant's clock, or in UTC with a Z at the end.",
)
@click.option(
    "--db",
    type=click.Path(dir_okay=False, path_type=pathlib.Path),
    help="Database to read.  [default: beside the plant file, with the suffix .db]",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
def command(plant: pathlib.Path, *, until: str | None, db: pathlib.Path | None, as_json: bool) -> None:
    """Judge the stored hours of PLANT one by one, and say what is wrong, since when, how sure, and what to do."""
    plant_file = load_plant(plant)
    if importlib.util.find_spec("numpy") is None:
        raise ExtraMissing("diagnose", "numpy")
    from daemon import assessing, diagnose_words  # noqa: PLC0415 - numpy, which the base install may lack

    until_s = time_given(until, plant_file.plant.timezone, "--until")
    with hours_judged() as tell:
        known = assessing.assess_stored(plant_file, db or default_path(plant), until_s=until_s, tell=tell).assessment
    for line in diagnose_words.lines_of(plant_file.plant, known):
        click.echo(line, err=as_json)
    if as_json:
        click.echo(json.dumps(diagnose_words.json_of(known), ensure_ascii=False))
    if any(finding.cleared_at_s is None for finding in known.findings):
        sys.exit(1)

"""`clearbore commission`: fit the plant to healthy days."""

import importlib.util
import json
import pathlib

import click

from config.errors import ExtraMissing
from config.load import load_plant
from daemon import clock
from daemon.store.opening import default_path
from daemon.times import time_given


@click.command(
    name="commission",
    epilog="Do this once all is set and clean, and again after a change to the plumbing. Exit codes: 66 no readings, or"
    " too few; 78 the plant file has faults.",
)
@click.argument("plant", type=click.Path(dir_okay=False, path_type=pathlib.Path))
@click.option("--from", "from_text", help="First healthy moment; by default the first reading.")
@click.option(
    "--meter",
    help="Commission only this meter, which was left out, beside the others, which stay as they are. Needs --from: since"
    " when it works.",
)
@click.option(
    "--to",
    "to_text",
    help="Last healthy moment; by default a week on. Times: 2026-11-22T14:00 by the plant's clock, or in UTC with a Z.",
)
@click.option(
    "--db",
    type=click.Path(dir_okay=False, path_type=pathlib.Path),
    help="The database.  [default: beside the plant file, with the suffix .db]",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
def command(  # noqa: PLR0913 - one an option
    plant: pathlib.Path,
    *,
    from_text: str | None,
    to_text: str | None,
    meter: str | None,
    db: pathlib.Path | None,
    as_json: bool,
) -> None:
    """Fit PLANT to a week or more of healthy days, and keep the result: all later days are judged by it."""
    plant_file = load_plant(plant)
    if importlib.util.find_spec("numpy") is None:
        raise ExtraMissing("commission", "numpy")
    from daemon import assessing, commission_words  # noqa: PLC0415 - numpy, which the base install may lack

    zone = plant_file.plant.timezone
    from_s, to_s = time_given(from_text, zone, "--from"), time_given(to_text, zone, "--to")
    if from_s is not None and to_s is not None and from_s >= to_s:
        raise click.UsageError(f"--from {from_text} is not before --to {to_text}: exchange them")
    path, now_s = db or default_path(plant), clock.now_s()
    if meter is None:
        baseline = assessing.commission_stored(plant_file, path, from_s=from_s, to_s=to_s, made_s=now_s)
    else:
        placed = assessing.placed_meters(plant_file.plant)
        if meter not in placed:
            raise click.UsageError(
                f"--meter {meter}: no run of the plant file has this meter; they have {', '.join(placed)}"
            )
        if from_s is None:
            raise click.UsageError(f"--meter {meter} needs --from: since when it works")
        baseline = assessing.join_stored(plant_file, path, meter, from_s=from_s, to_s=to_s, made_s=now_s)
    for line in commission_words.lines_of(plant_file.plant, baseline):
        click.echo(line, err=as_json)
    if as_json:
        click.echo(json.dumps(commission_words.json_of(baseline), ensure_ascii=False))

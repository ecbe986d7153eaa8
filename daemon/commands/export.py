"""`clearbore export`: the database as CSV or Parquet files."""

import importlib.util
import json
import pathlib

import click

from config.errors import ExtraMissing
from config.load import load_plant
from config.plant import Plant
from daemon.exporting.export import Order, Outcome, export, make_folder, unknown_meters
from daemon.exporting.files import Format
from daemon.exporting.tables import TABLE_NAMES, Request
from daemon.progress import shown
from daemon.store.opening import default_path
from daemon.times import time_given

STEPS = 1000


@click.command(
    name="export",
    epilog="Exit codes: 66 there is nothing to export; 69 Parquet needs the extra [all]; 74 a file cannot be written.",
)
@click.argument("plant", type=click.Path(dir_okay=False, path_type=pathlib.Path))
@click.option(
    "--out",
    type=click.Path(path_type=pathlib.Path),
    help="Folder for the files, or with one --what a file ending in .csv, .csv.gz or .parquet."
    "  [default: a folder beside the plant file, ending in _export]",
)
@click.option(
    "--what",
    multiple=True,
    type=click.Choice(TABLE_NAMES),
    help="A table to export; give it again for more.  [default: all]",
)
@click.option(
    "--format",
    "form",
    type=click.Choice([form.value for form in Format]),
    help="Form of the files.  [default: that of --out FILE, else csv]",
)
@click.option(
    "--from",
    "from_text",
    help="Nothing earlier: 2026-11-22T14:00 by the plant's clock, or in UTC with a Z.  [default: all there is]",
)
@click.option("--to", "to_text", help="Nothing from this time on.  [default: all there is]")
@click.option("--meter", multiple=True, help="Only this meter; give it again for more.  [default: all]")
@click.option("--si", is_flag=True, help="Flows in m3/s.  [default: in the plant file's flow_unit]")
@click.option(
    "--db",
    type=click.Path(dir_okay=False, path_type=pathlib.Path),
    help="Database to read.  [default: beside the plant file, with the suffix .db]",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
def command(  # noqa: PLR0913 - one parameter an option
    plant: pathlib.Path,
    *,
    out: pathlib.Path | None,
    what: tuple[str, ...],
    form: str | None,
    from_text: str | None,
    to_text: str | None,
    meter: tuple[str, ...],
    si: bool,
    db: pathlib.Path | None,
    as_json: bool,
) -> None:
    """Write the readings, the journal and the findings of PLANT as files for a spreadsheet or any other program.

    Times are in UTC, units stand in the names of the columns. `counts` can be loaded again with `clearbore load`, and
    `journal` with its --events.
    """
    plant_file = load_plant(plant)
    zone = plant_file.plant.timezone
    _refuse_strangers(plant_file.plant, meter)
    names = tuple(dict.fromkeys(what)) or TABLE_NAMES
    chosen = _form(form, out)
    if chosen is Format.PARQUET and importlib.util.find_spec("duckdb") is None:
        raise ExtraMissing("export --format parquet", "duckdb")
    order = Order(
        request=Request(plant=plant_file.plant, meters=meter, si=si),
        files=_files(names, out or plant.with_name(f"{plant.stem}_export"), chosen),
        form=chosen,
        from_ms=_ms(time_given(from_text, zone, "--from")),
        to_ms=_ms(time_given(to_text, zone, "--to")),
    )
    with shown("Exporting") as progress:
        done = [0.0]

        def tell(share: float) -> None:
            done[0] += share * STEPS
            progress(round(done[0]), STEPS)

        outcome = export(order, db or default_path(plant), tell=tell)
    _say(outcome, as_json=as_json)


def _refuse_strangers(plant: Plant, meters: tuple[str, ...]) -> None:
    """Refuse a meter that the plant does not have."""
    unknown = unknown_meters(meters, plant.meters)
    if unknown:
        known = ", ".join(meter.name for meter in plant.meters) or "none"
        raise click.BadParameter(f"{', '.join(unknown)}: the plant's meters are {known}", param_hint="--meter")


def _form(form: str | None, out: pathlib.Path | None) -> Format:
    """The form asked for, or the one that the file's name says."""
    named = _named_form(out)
    if form is not None and named is not None and named != form:
        raise click.UsageError(f"--format {form} does not go with a file named {out}")
    return Format(form) if form is not None else (named or Format.CSV)


def _named_form(out: pathlib.Path | None) -> Format | None:
    """The form that a file's name says; None for a folder."""
    return None if out is None else next((form for form in Format if out.name.endswith(f".{form.value}")), None)


def _files(names: tuple[str, ...], out: pathlib.Path, form: Format) -> tuple[tuple[str, pathlib.Path], ...]:
    """Each table with its file."""
    if _named_form(out) is not None and not out.is_dir():
        if len(names) != 1:
            raise click.UsageError(f"{out} is one file: say which table it is to hold, as --what minutes")
        return tuple((name, out) for name in names)
    make_folder(out)
    return tuple((name, out / f"{name}.{form.value}") for name in names)


def _ms(at_s: float | None) -> int | None:
    """Seconds to whole milliseconds."""
    return None if at_s is None else round(at_s * 1000)


def _say(outcome: Outcome, *, as_json: bool) -> None:
    """What was written."""
    for file in outcome.files:
        click.echo(f"{file.path}: {file.rows:,} rows, {file.size / 1e6:.2f} MB", err=as_json)
    if outcome.restarts and any(file.table == "counts" for file in outcome.files):
        click.echo(
            f"counters restarted {outcome.restarts} times: `counts` shows that only where the count falls, "
            "`minutes` marks each under `restart`",
            err=True,
        )
    if outcome.days_behind:
        click.echo(
            f"the hours of {outcome.days_behind} days are behind: this install cannot derive them; install Clearbore "
            "with its extra, pip install 'clearbore[all]'",
            err=True,
        )
    if as_json:
        files = [
            {"table": file.table, "path": str(file.path), "rows": file.rows, "bytes": file.size}
            for file in outcome.files
        ]
        click.echo(json.dumps({"files": files, "restarts": outcome.restarts, "days_behind": outcome.days_behind}))

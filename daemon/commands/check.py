"""`clearbore check`: every fault of a plant file, or a picture of the plant."""

import importlib.util
import json
import pathlib
from typing import Any

import click

from config.errors import PlantFileError
from config.load import load_plant
from config.outline import gauge_place, meter_feed, notes, outline
from config.plant import Plant
from config.schema import plant_schema
from config.settings import PlantFile
from daemon.store.opening import default_path

NO_NUMPY = (
    "numpy is not installed, which it takes to say which faults the meters tell apart: "
    "install Clearbore with its extra, pip install 'clearbore[all]'"
)


@click.command(
    name="check",
    epilog="Exit codes: 78 the plant file has faults; 66 the database named with --db holds no commissioned plant.",
)
@click.argument("plant", type=click.Path(), required=False)
@click.option(
    "--db",
    type=click.Path(dir_okay=False, path_type=pathlib.Path),
    help="Database with the plant as commissioned.  [default: beside the plant file, with the suffix .db, if it is there]",
)
@click.option("--pairs", is_flag=True, help="Show for every pair of faults how long it takes to tell them apart.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
@click.option("--schema", is_flag=True, help="Print the JSON Schema of plant files, for editors, and stop.")
def command(plant: str | None, *, db: pathlib.Path | None, pairs: bool, as_json: bool, schema: bool) -> None:
    """Check the plant file PLANT: say every fault of it, or show the plant and which faults its meters tell apart."""
    if schema:
        click.echo(json.dumps(plant_schema(), indent=2, ensure_ascii=False))
        return
    if plant is None:
        raise click.UsageError("name the plant file: clearbore check PLANT")
    try:
        checked = load_plant(plant)
    except PlantFileError as error:
        if as_json:
            click.echo(json.dumps(_faulty(error), ensure_ascii=False))
        raise
    _show(checked.plant, to_stderr=as_json)
    apart = _apart(checked, db, every_pair=pairs, to_stderr=as_json)
    if as_json:
        click.echo(json.dumps(_sound(checked.plant) | apart, ensure_ascii=False))


def _apart(plant_file: PlantFile, db: pathlib.Path | None, *, every_pair: bool, to_stderr: bool) -> dict[str, Any]:
    """Show which faults the meters tell apart, and give it for machines; without numpy, say so."""
    nothing: dict[str, Any] = dict.fromkeys(("isolability", "alike", "unseen", "dry", "reckoned_with"))
    if importlib.util.find_spec("numpy") is None:
        click.echo(f"note: {NO_NUMPY}", err=to_stderr)
        return nothing | {"isolability_note": NO_NUMPY}
    from daemon import apart_words, telling_apart  # noqa: PLC0415 - numpy, which the base install may lack

    default = default_path(pathlib.Path(plant_file.path))
    apart, note = telling_apart.of_plant_file(plant_file, db or default, database_named=db is not None)
    if note is not None:
        click.echo(f"note: {note}", err=to_stderr)
    if apart is None:
        return nothing | {"isolability_note": note}
    for line in apart_words.lines_of(apart, every_pair=every_pair):
        click.echo(line, err=to_stderr)
    return apart_words.json_of(apart) | {"isolability_note": note}


def _show(plant: Plant, *, to_stderr: bool) -> None:
    """The plant in text."""
    counts = ((len(plant.runs), "run"), (len(plant.branches), "branch"), (len(plant.meters), "meter"))
    lines = [
        f"{plant.name}: {', '.join(_counted(number, noun) for number, noun in counts)}",
        "",
        *outline(plant),
        "",
        *(f"meter {meter.name}: {meter_feed(meter)}" for meter in plant.meters),
        *(f"gauge {gauge.name}: {gauge_place(gauge)}" for gauge in plant.gauges),
        *(f"note: {note}" for note in notes(plant)),
        "no faults",
    ]
    for line in lines:
        click.echo(line, err=to_stderr)


def _counted(number: int, noun: str) -> str:
    """A number with its noun."""
    plural = f"{noun}es" if noun.endswith("ch") else f"{noun}s"
    return f"{number} {noun if number == 1 else plural}"


def _sound(plant: Plant) -> dict[str, Any]:
    """The result for machines: no fault."""
    return {
        "ok": True,
        "faults": [],
        "runs": len(plant.runs),
        "branches": len(plant.branches),
        "meters": len(plant.meters),
        "notes": list(notes(plant)),
    }


def _faulty(error: PlantFileError) -> dict[str, Any]:
    """The result for machines: all faults; what cannot be counted is null."""
    faults = [
        {
            "file": error.file,
            "line": fault.line,
            "where": fault.where,
            "pointer": fault.pointer,
            "what": fault.what,
        }
        for fault in error.faults
    ]
    return {"ok": False, "faults": faults, "runs": None, "branches": None, "meters": None, "notes": []}

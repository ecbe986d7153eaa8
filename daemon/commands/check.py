"""`clearbore check`: every fault of a plant file, or a picture of the plant."""

import json
from typing import Any

import click

from config.errors import PlantFileError
from config.load import load_plant
from config.outline import meter_feed, notes, outline
from config.plant import Plant
from config.schema import plant_schema


@click.command(name="check", epilog="Exit code 78: the plant file has faults.")
@click.argument("plant", type=click.Path(), required=False)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
@click.option("--schema", is_flag=True, help="Print the JSON Schema of plant files, for editors, and stop.")
def command(plant: str | None, *, as_json: bool, schema: bool) -> None:
    """Check the plant file PLANT: say every fault of it, or show the plant that it describes."""
    if schema:
        click.echo(json.dumps(plant_schema(), indent=2, ensure_ascii=False))
        return
    if plant is None:
        raise click.UsageError("name the plant file: clearbore check PLANT")
    try:
        checked = load_plant(plant).plant
    except PlantFileError as error:
        if as_json:
            click.echo(json.dumps(_faulty(error), ensure_ascii=False))
        raise
    _show(checked, to_stderr=as_json)
    if as_json:
        click.echo(json.dumps(_sound(checked), ensure_ascii=False))


def _show(plant: Plant, *, to_stderr: bool) -> None:
    """The plant in text."""
    counts = ((len(plant.runs), "run"), (len(plant.branches), "branch"), (len(plant.meters), "meter"))
    lines = [
        f"{plant.name}: {', '.join(_counted(number, noun) for number, noun in counts)}",
        "",
        *outline(plant),
        "",
        *(f"meter {meter.name}: {meter_feed(meter)}" for meter in plant.meters),
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

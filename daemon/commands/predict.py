"""`clearbore predict`: what flow every branch should get, and where the head goes."""

import importlib.util
import json
import pathlib

import click

from config.errors import ExtraMissing, QuantityError
from config.load import load_plant
from config.units import SHARE, read_quantity


@click.command(name="predict")
@click.argument("plant", type=click.Path())
@click.option("--speed", help='Speed of the pump in place of the plant file\'s, as "80 %".')
@click.option(
    "--html",
    "page",
    type=click.Path(dir_okay=False, path_type=pathlib.Path),
    help="File to write a page to, with the manifold drawn, the pump's curve and the head line of every branch.",
)
@click.option(
    "--tees",
    type=click.Choice(["fixed", "by split"]),
    default="fixed",
    show_default=True,
    help="Loss of tees: a fixed K for each way, or K by how the flow splits there, as newer handbooks have it.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
def command(plant: str, *, speed: str | None, page: pathlib.Path | None, tees: str, as_json: bool) -> None:
    """Say what flow every branch of PLANT should get as it was built, against its target, and where the head goes.

    Good to 5 to 25 % a branch, since published loss coefficients differ by as much.
    """
    plant_file = load_plant(plant)
    fraction = None if speed is None else _fraction(speed)
    for package in ("numpy",) if page is None else ("numpy", "matplotlib", "jinja2"):
        if importlib.util.find_spec(package) is None:
            raise ExtraMissing("predict", package)
    from analysis.hydraulics.network import (  # noqa: PLC0415 - numpy, which the base install may lack
        Conditions,
        Constants,
        TeeLaw,
    )
    from analysis.prediction import predict  # noqa: PLC0415 - numpy, as above
    from daemon import predict_words  # noqa: PLC0415 - numpy, as above

    conditions, constants = Conditions(speed=fraction), Constants(tees=TeeLaw(tees))
    prediction = predict(plant_file.plant, conditions=conditions, constants=constants)
    if page is not None:
        from analysis.report.prediction_page import prediction_page  # noqa: PLC0415 - drawing costs a second to import
        from daemon.reporting import write_whole  # noqa: PLC0415 - numpy, as above

        text = prediction_page(plant_file.plant, prediction, conditions=conditions, constants=constants)
        write_whole(page, text, option="--html")
    for line in predict_words.lines_of(plant_file.plant, prediction):
        click.echo(line, err=as_json)
    if as_json:
        click.echo(json.dumps(predict_words.json_of(prediction), ensure_ascii=False))
    if page is not None:
        click.echo(f"page: {page}", err=True)


def _fraction(speed: str) -> float:
    try:
        return read_quantity(speed, SHARE, low=0.0, high=1.0)
    except QuantityError as error:
        raise click.BadParameter(str(error), param_hint="--speed") from None

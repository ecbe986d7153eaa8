"""`clearbore size`: the pump a plant needs, the valve openings that balance it, and what changes would bring."""

import importlib.util
import json
from collections.abc import Sequence
from typing import Any

import click

from config.change import read_change
from config.edits import Change
from config.errors import ExtraMissing, InputUnusable, QuantityError
from config.load import load_plant
from config.plant import Plant
from config.units import SHARE, read_quantity

_MOST_MARGIN = 10.0
_MOST_SPEED = 1.5


@click.command(name="size")
@click.argument("plant", type=click.Path())
@click.option(
    "--margin", default="10 %", show_default=True, help="How much above its low target every branch is to get."
)
@click.option("--speed", help='Balance at this speed of the pump, as "80 %"; else at the least that does it.')
@click.option("--one-size-bigger", is_flag=True, help="Also say what one size bigger is (common practice, no source).")
@click.option("--change", "changes", multiple=True, metavar="TEXT", help="A change to try, as below; repeatable.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
def command(  # noqa: PLR0913 - click passes every option by its name
    plant: str, *, margin: str, speed: str | None, one_size_bigger: bool, changes: tuple[str, ...], as_json: bool
) -> None:
    """Say what PLANT needs of its pump, how its valves balance it, and what cannot be had and why.

    With --change: the plant as built, with each change and with all of them, side by side, with the gain of every
    branch, and what costs each branch most. A change is a run, a colon and an edit:

    \b
      --change 'carbon: pipe 1/2 in sch 80 -> 1 in sch 40'   that size in the whole run, fittings and valve along
      --change 'carbon: pipe -> 1 in sch 40 up to valve'     any size, up to the first hand valve, which keeps its own
      --change 'header*: pipe -> 1-1/2 in sch 40'            several runs by a pattern
      --change 'carbon: hose 10 mm -> 16 mm'                 hoses, by their bore
      --change 'uv: elbow 90 -> 2 x elbow 45'                each of them; 'elbow 90 long', 'none' as well
      --change 'uv: 1 x elbow 90 -> none'                    only one of them
      --change 'carbon: ball_valve 60 %'                     or '30 deg'; gate_valve alike
      --change 'carbon: media x 2'                           devices and beds at twice their loss
      --change 'carbon: outlet 40 cm'                        another height
      --change 'pump: speed 80 %'                            another speed
      --change 'pump: curve 0 L/h 4.6 m, 6000 L/h 3.4 m, 11000 L/h 0.6 m'

    \b
    Fittings: elbow 90, elbow 90 long, elbow 45, tee run, tee branch, union, coupling, entrance sharp, entrance rounded,
    entrance projecting. Several edits of one change stand in one text with ; between them.
    """  # noqa: D301 - click's mark for text that is not to be wrapped
    as_built = load_plant(plant).plant
    read = tuple(read_change(text, as_built) for text in changes)
    above = _share(margin, "--margin", high=_MOST_MARGIN)
    fixed = None if speed is None else _share(speed, "--speed", high=_MOST_SPEED, above=0.0)
    if read and (fixed is not None or one_size_bigger):
        raise click.UsageError("--speed and --one-size-bigger go without --change; try a speed with 'pump: speed 80 %'")
    if importlib.util.find_spec("numpy") is None:
        raise ExtraMissing("size", "numpy")
    if read:
        lines, found = _compared(as_built, read, margin=above)
    else:
        lines, found = _sized(as_built, margin=above, speed=fixed, one_size_bigger=one_size_bigger)
    for line in lines:
        click.echo(line, err=as_json)
    if as_json:
        click.echo(json.dumps(found, ensure_ascii=False, allow_nan=False))


def _sized(
    plant: Plant, *, margin: float, speed: float | None, one_size_bigger: bool
) -> tuple[list[str], dict[str, Any]]:
    from analysis.design.sizing import size  # noqa: PLC0415 - numpy, which the base install may lack
    from daemon import size_words  # noqa: PLC0415 - numpy, as above

    sizing = size(plant, margin=margin, fixed_speed=speed, one_size_bigger=one_size_bigger)
    return size_words.lines_of(plant, sizing), size_words.json_of(sizing)


def _compared(plant: Plant, changes: Sequence[Change], *, margin: float) -> tuple[list[str], dict[str, Any]]:
    from analysis.design.duty import Duty  # noqa: PLC0415 - numpy, which the base install may lack
    from analysis.design.sizing import duty_of  # noqa: PLC0415 - numpy, as above
    from analysis.design.whatif import compare  # noqa: PLC0415 - numpy, as above
    from daemon import change_words  # noqa: PLC0415 - numpy, as above

    comparison = compare(plant, changes)
    duties: list[Duty | None] = []
    for variant in (plant, *(variant.plant for variant in comparison.variants)):
        try:
            duties.append(duty_of(variant, margin=margin))
        except InputUnusable:  # without a target there is nothing to size for, and changes can be tried all the same
            duties.append(None)
    return change_words.lines_of(plant, comparison, duties), change_words.json_of(plant, comparison, duties)


def _share(text: str, option: str, *, high: float, above: float | None = None) -> float:
    try:
        return read_quantity(text, SHARE, low=0.0, high=high, above=above)
    except QuantityError as error:
        raise click.BadParameter(str(error), param_hint=option) from None

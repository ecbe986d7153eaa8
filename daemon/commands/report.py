"""`clearbore report`: the maintenance report, one HTML page."""

import importlib.util
import pathlib
from zoneinfo import ZoneInfo

import click

from analysis.report.period import week_bounds
from config.errors import ExtraMissing
from config.load import load_plant
from config.settings import PlantFile
from daemon.progress import hours_judged
from daemon.store.opening import default_path
from daemon.times import time_given

NEEDED = ("numpy", "matplotlib", "jinja2")


@click.command(
    name="report",
    epilog="Exit codes: 66 there are no readings, or the plant has not been commissioned; 78 the plant file has faults.",
)
@click.argument("plant", type=click.Path(dir_okay=False, path_type=pathlib.Path))
@click.option(
    "--db",
    type=click.Path(dir_okay=False, path_type=pathlib.Path),
    help="Database to read.  [default: beside the plant file, with the suffix .db]",
)
@click.option("--week", help="ISO week to report on, like 2026-W47; by default the days that the charts show.")
@click.option(
    "--until",
    help="Use nothing later than this time: 2026-11-22T14:00 by the plant's clock, or in UTC with a Z at the end.",
)
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=pathlib.Path),
    help="File to write.  [default: beside the plant file, ending in _report.html]",
)
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="Print the figures of the page as one JSON object on standard output; the page is written only with --out.",
)
def command(  # noqa: PLR0913 - one parameter an option
    plant: pathlib.Path,
    *,
    db: pathlib.Path | None,
    week: str | None,
    until: str | None,
    out: pathlib.Path | None,
    as_json: bool,
) -> None:
    """Write the maintenance report of PLANT as one HTML page, and print its path.

    The page needs nothing else: open it in any browser, print it, or send it by mail.
    """
    plant_file = load_plant(plant)
    week_end_s = _week_end_s(plant_file, week)
    until_s = time_given(until, plant_file.plant.timezone, "--until")
    _need_extra()
    # Imported here: drawing costs a second that help and a wrong option need not wait for.
    from daemon import reporting  # noqa: PLC0415 - needs the extra

    with hours_judged() as tell:
        content = reporting.stored_content(
            plant_file, db or default_path(plant), until_s=until_s, week=week, week_end_s=week_end_s, tell=tell
        )
    if as_json:
        click.echo(reporting.json_text(content))
    if out is not None or not as_json:
        path = out or _default_out(plant, week)
        reporting.write_whole(path, reporting.page_text(content))
        click.echo(f"{path}", err=as_json)


def _need_extra() -> None:
    """Refuse early where a package of the extra is missing.

    Raises:
        ExtraMissing: names the first one.
    """
    for package in NEEDED:
        if importlib.util.find_spec(package) is None:
            raise ExtraMissing("report", package)


def _default_out(plant: pathlib.Path, week: str | None) -> pathlib.Path:
    """`rack.toml` gets `rack_report.html`, or `rack_report_2026-W47.html` for a week."""
    return plant.with_name(f"{plant.stem}_report{f'_{week}' if week else ''}.html")


def _week_end_s(plant_file: PlantFile, week: str | None) -> float | None:
    """When the week ends, UTC epoch seconds; None without a week."""
    if week is None:
        return None
    try:
        return week_bounds(week, ZoneInfo(plant_file.plant.timezone))[1]
    except ValueError as error:
        raise click.BadParameter(f"{error}", param_hint="--week") from error

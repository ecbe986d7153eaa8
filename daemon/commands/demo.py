"""`clearbore demo`: the whole job on a simulated rig and a sample log."""

import importlib.util
import pathlib

import click

from config.errors import ExtraMissing
from daemon import clock, demo_tour

NEEDED = ("numpy", "matplotlib", "jinja2")


@click.command("demo")
@click.option(
    "--folder",
    type=click.Path(path_type=pathlib.Path),
    default=pathlib.Path("clearbore-demo"),
    show_default=True,
    help="Where to put everything; nothing is left anywhere else.",
)
@click.option("--story", default="carbon_clogging", show_default=True, help="Which sample story to tell.")
@click.option(
    "--seconds",
    type=click.FloatRange(2, 60),
    default=8,
    show_default=True,
    help="How long to listen to the simulated counter.",
)
@click.option("--force", is_flag=True, help="Write into a folder that holds other files, too.")
def command(folder: pathlib.Path, story: str, seconds: float, *, force: bool) -> None:
    """See the whole job on a simulated rig and a sample log, with nothing to set up."""
    for package in NEEDED:
        if importlib.util.find_spec(package) is None:
            raise ExtraMissing("demo", package)
    started_s = clock.monotonic_s()
    demo_tour.run(folder, story_name=story, seconds=seconds, force=force)
    click.echo()
    click.echo(f"Done in {clock.monotonic_s() - started_s:.0f} s.")

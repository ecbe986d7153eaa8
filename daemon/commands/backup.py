"""`clearbore backup`: a checked copy of the database, made while others write to it."""

import json
import pathlib

import click

from config.load import load_plant
from daemon import clock
from daemon.backing_up import Backup, back_up, check_database
from daemon.progress import shown
from daemon.store.opening import default_path


@click.command(
    name="backup",
    epilog="Exit codes: 66 there is no database; 74 it is damaged, or the copy cannot be written; 78 the plant file has"
    " faults.",
)
@click.argument("plant", type=click.Path(dir_okay=False, path_type=pathlib.Path))
@click.option(
    "--to",
    type=click.Path(path_type=pathlib.Path),
    help="File to copy to.  [default: a new one in the folder of copies, of which the newest are kept]",
)
@click.option(
    "--check", "check_only", is_flag=True, help="Only look through the whole database for damage; copy nothing."
)
@click.option(
    "--db",
    type=click.Path(dir_okay=False, path_type=pathlib.Path),
    help="Database to copy.  [default: beside the plant file, with the suffix .db]",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
def command(
    plant: pathlib.Path, *, to: pathlib.Path | None, check_only: bool, db: pathlib.Path | None, as_json: bool
) -> None:
    """Copy the database of PLANT in one go, while the collector goes on writing, and check the copy.

    The copy holds everything up to one moment and needs no other file. It gets its name only once it is whole, sound
    and on the disk, so a copy that is there is a good one. Copy the plant file as well: it is not in the database.
    """
    if check_only and to is not None:
        raise click.UsageError("--check copies nothing, so it goes without --to")
    plant_file = load_plant(plant)
    path = db or default_path(plant)
    if check_only:
        _check(path, as_json=as_json)
        return
    with shown("Copying") as tell:
        made = back_up(plant_file, path, now_s=clock.now_s(), to=to, tell=tell)
    click.echo(_words(path, made), err=as_json)
    if as_json:
        click.echo(json.dumps(_as_json(path, made), ensure_ascii=False))


def _check(path: pathlib.Path, *, as_json: bool) -> None:
    """Only check, and say so."""
    now_s = clock.now_s()
    check_database(path, now_s=now_s)
    click.echo(f"{path}: sound", err=as_json)
    if as_json:
        click.echo(json.dumps({"database": str(path), "checked_at": clock.utc_text(now_s), "integrity": "ok"}))


def _words(path: pathlib.Path, made: Backup) -> str:
    """What was done, in a line."""
    rows = sum(made.copied.rows.values())
    text = f"{path} copied to {made.copied.path}: {made.copied.size / 1e6:.1f} MB, {rows:,} rows, checked and sound"
    if len(made.kept) > 1 or made.dropped:
        text += f"; {len(made.kept)} copies are there now"
    return f"{text}, {len(made.dropped)} older dropped" if made.dropped else text


def _as_json(path: pathlib.Path, made: Backup) -> dict[str, object]:
    """The same for machines."""
    return {
        "database": str(path),
        "copy": str(made.copied.path),
        "bytes": made.copied.size,
        "rows": dict(made.copied.rows),
        "integrity": "ok",
        "kept": [str(copy) for copy in made.kept],
        "dropped": [str(copy) for copy in made.dropped],
    }

"""The nightly job: hours, old minutes, room on the disk, a checked copy."""

import pathlib
from collections.abc import Callable

from config.errors import ClearboreError, OutputUnwritable
from config.settings import PlantFile
from daemon.backing_up import back_up, check_database
from daemon.upkeep import catch_up, note_room


def keep_in_order(plant_file: PlantFile, db: pathlib.Path, *, now_s: float) -> str:
    """Do all of it, and say so; a part that fails keeps none of the others from being done.

    Raises:
        ClearboreError: the first part that failed; the others are done or were tried.
    """

    def drop() -> str:
        days = catch_up(plant_file, db, now_s=now_s)
        return f"minutes of {days} old days dropped" if days else ""

    def note() -> str:
        note_room(db, now_s=now_s)
        return ""

    def copy() -> str:
        try:
            made = back_up(plant_file, db, now_s=now_s)
        except OutputUnwritable:
            check_database(
                db, now_s=now_s
            )  # what making a copy would have told: damage is told before the missing stick
            raise
        return f"copied to {made.copied.path} ({made.copied.size / 1e6:.1f} MB), checked and sound"

    return _all(drop, note, copy)


def _all(*parts: Callable[[], str]) -> str:
    """Do every part; what they said, unless one failed."""
    said: list[str] = []
    failed: list[ClearboreError] = []
    for part in parts:
        try:
            said.append(part())
        except ClearboreError as error:
            failed.append(error)
    if failed:
        raise failed[0]
    return "; ".join(filter(None, reversed(said)))

"""From the database to the report. Imports numpy and more: for short-lived processes only."""

import contextlib
import json
import os
import pathlib
from collections.abc import Callable

from analysis.report.content import Content, Rejected, gather
from analysis.report.machine import figures_of
from analysis.report.page import page_of
from analysis.timeline import SETTLE_S
from config.errors import OutputUnwritable
from config.settings import PlantFile
from daemon.assessing import assess_stored
from daemon.store.opening import open_reader, storage_errors
from daemon.store.records import read_rejected


def stored_content(  # noqa: PLR0913 - what, until when, and whom to tell
    plant_file: PlantFile,
    db: pathlib.Path,
    *,
    until_s: float | None,
    week: str | None,
    week_end_s: float | None,
    tell: Callable[[int, int], None] | None = None,
) -> Content:
    """What the report says of a database.

    Args:
        plant_file: the plant.
        db: the database.
        until_s: nothing later is used, UTC epoch seconds; None for all there is.
        week: ISO week, or None for the last `trend_days`.
        week_end_s: when the week ends. What came later is not used, but for the minutes that settle its last hour.
        tell: is told how many hours are judged, and of how many.

    Raises:
        InputMissing: no database, no readings in the time asked for, or the plant has not been commissioned.
        StoreError: the database cannot be read.
    """
    ends_s = [end_s for end_s in (until_s, None if week_end_s is None else week_end_s + SETTLE_S) if end_s is not None]
    last_s = min(ends_s) if ends_s else None
    known = assess_stored(plant_file, db, until_s=last_s, tell=tell)
    with contextlib.closing(open_reader(db)) as connection, storage_errors(db):
        refused = read_rejected(connection)
    rejected = [Rejected(source=row.source, reason=row.reason, times=row.times) for row in refused]
    return gather(plant_file, known.assessment, known.events, rejected, week=week, baseline=known.baseline)


def page_text(content: Content) -> str:
    """The page."""
    return page_of(content)


def json_text(content: Content) -> str:
    """The figures of the page as one JSON object."""
    return json.dumps(figures_of(content), ensure_ascii=False, allow_nan=False)


def write_whole(path: pathlib.Path, text: str, *, option: str = "--out") -> None:
    """Write a file so that whoever opens it finds the old one or the new one, and never a part.

    Args:
        path: the file.
        text: what it holds then.
        option: of the command line, by which another path can be named.

    Raises:
        OutputUnwritable: says why.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("x", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        reason = error.strerror or str(error)
        raise OutputUnwritable(
            f"{path}: the page cannot be written ({reason}): name a folder that is there and yours with {option}"
        ) from error

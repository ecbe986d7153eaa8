"""One call of `clearbore export`: tables of the database into files, a day at a time."""

import contextlib
import importlib.util
import itertools
import pathlib
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from config.errors import InputMissing, OutputUnwritable
from config.plant import Meter
from daemon.exporting.files import Format, Row, whole_file
from daemon.exporting.tables import Request, Source, Span, Table, tables_of
from daemon.latest import last_minute
from daemon.store.blocks import MINUTE_MS, first_minute
from daemon.store.keys import row_key
from daemon.store.opening import open_reader, storage_errors

DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What to export: tables by name into files of a form; UTC epoch ms, None for all there is."""

    request: Request
    files: tuple[tuple[str, pathlib.Path], ...]
    form: Format
    from_ms: int | None
    to_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A file that was written: of which table, how many rows, how many bytes."""

    table: str
    path: pathlib.Path
    rows: int
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What an export did.

    Attributes:
        restarts: known restarts of counters, which a file of bare counts does not tell.
        days_behind: days whose hours are not derived, because the base install cannot.
    """

    files: tuple[Written, ...]
    restarts: int
    days_behind: int


def export(order: Order, db: pathlib.Path, *, tell: Callable[[float], None]) -> Outcome:
    """Write all files; those that were done before an error stay.

    Args:
        order: what to write.
        db: the database.
        tell: is told the share of the work that was done since it was told before; 1 in all.

    Raises:
        InputMissing: no database, or no readings in it.
        OutputUnwritable: a file cannot be written.
        StoreError: the database cannot be read.
    """

    def part_of_all(share: float) -> None:
        tell(share / len(order.files))

    with contextlib.closing(open_reader(db)) as connection, storage_errors(db):
        span = _span(connection, order, db)
        behind = _bring_up_to_date(connection, order)
        tables = tables_of(order.request)
        written = []
        for name, path in order.files:
            source = Source(connection, order.request)
            chunks = _chunks(tables[name], source, list(_pieces(span, tables[name])), part_of_all)
            written.append(_write(tables[name], path, order.form, chunks))
        restarts = connection.execute(
            "SELECT count(*) FROM minute WHERE restart AND slot BETWEEN ? AND ?",
            (row_key(-(-span.from_ms // MINUTE_MS), 0), row_key(span.to_ms // MINUTE_MS + 1, 0) - 1),
        ).fetchone()[0]
    return Outcome(files=tuple(written), restarts=restarts, days_behind=behind)


def make_folder(folder: pathlib.Path) -> None:
    """Make the folder for the files, if only it itself is missing.

    Raises:
        OutputUnwritable: it cannot be made, or is a file.
    """
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise OutputUnwritable(
            f"{folder}: the folder cannot be made ({error.strerror}); name another with --out, in a folder that is there"
        ) from error


def _span(connection: sqlite3.Connection, order: Order, db: pathlib.Path) -> Span:
    """The time asked for, and no more than what there is."""
    first, last = first_minute(connection), last_minute(connection)
    edges = connection.execute(
        "SELECT min(low), max(high) FROM (SELECT min(at_ms) AS low, max(at_ms) AS high FROM journal"
        " UNION ALL SELECT min(first_ms), max(first_ms) FROM quarantine"
        " UNION ALL SELECT min(raised_ms), max(raised_ms) FROM finding"
        " UNION ALL SELECT min(hour) * 3600000, max(hour) * 3600000 FROM hour"
        " UNION ALL SELECT (min(slot) >> 10) * 60000, (max(slot) >> 10) * 60000 FROM gauge_minute"
        " UNION ALL SELECT (min(slot) >> 10) * 3600000, (max(slot) >> 10) * 3600000 FROM gauge_hour)"
    ).fetchone()
    lows = [at_ms for at_ms in (edges[0], None if first is None else first * MINUTE_MS) if at_ms is not None]
    highs = [at_ms for at_ms in (edges[1], None if last is None else last * MINUTE_MS) if at_ms is not None]
    if not lows or not highs:
        raise InputMissing(
            f"{db}: there is nothing to export yet: `clearbore load` or `clearbore collect` brings readings in"
        )
    from_ms = max(min(lows), order.from_ms if order.from_ms is not None else min(lows))
    to_ms = min(max(highs) + MINUTE_MS, order.to_ms if order.to_ms is not None else max(highs) + MINUTE_MS)
    if from_ms >= to_ms:
        raise InputMissing(
            f"{db}: there is nothing between the times asked for; see `clearbore status` for what there is"
        )
    return Span(from_ms=from_ms, to_ms=to_ms)


def _bring_up_to_date(connection: sqlite3.Connection, order: Order) -> int:
    """Derive the hours that are behind, where the install can; how many days stay behind."""
    if "hours" not in dict(order.files):
        return 0
    if importlib.util.find_spec("numpy") is None:
        (behind,) = connection.execute("SELECT count(*) FROM stale_day").fetchone()
        return int(behind)
    from daemon.store.hours import bring_up_to_date  # noqa: PLC0415 - numpy, which the base install may lack

    bring_up_to_date(connection, order.request.plant.meters)
    return 0


def _pieces(span: Span, table: Table) -> Iterator[Span]:
    """The span in pieces of whole UTC days, so that no more than one of them is ever held."""
    if table.days is None:
        yield span
        return
    step_ms = table.days * DAY_MS
    edges = [span.from_ms, *range((span.from_ms // step_ms + 1) * step_ms, span.to_ms, step_ms), span.to_ms]
    for from_ms, to_ms in itertools.pairwise(edges):
        yield Span(from_ms=from_ms, to_ms=to_ms)


def _chunks(
    table: Table, source: Source, spans: Sequence[Span], tell: Callable[[float], None]
) -> Iterator[Sequence[Row]]:
    """The rows, a piece of time at once; tells the share of the table that is done."""
    for span in spans:
        yield list(table.rows(source, span))
        tell(1 / len(spans))


def _write(table: Table, path: pathlib.Path, form: Format, chunks: Iterator[Sequence[Row]]) -> Written:
    """Write one file."""
    count = 0
    with whole_file(path, table.columns, form) as file:
        for rows in chunks:
            if rows:
                file.write(rows)
            count += len(rows)
    return Written(table=table.name, path=path, rows=count, size=path.stat().st_size)


def unknown_meters(names: Sequence[str], meters: Sequence[Meter]) -> list[str]:
    """Those of the names that no meter has."""
    known = {meter.name for meter in meters}
    return [name for name in names if name not in known]

"""Tables as files, CSV or Parquet, written piece by piece and there only once they are whole."""

import contextlib
import csv
import datetime as dt
import gzip
import importlib
import os
import pathlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import IO, Any, Protocol

from config.errors import OutputUnwritable

Row = Sequence[object]
_NOTHING = "\\N"
_ENGINE_MEMORY = "128MB"


class Kind(StrEnum):
    """What a column holds; a time is in UTC epoch milliseconds here, and written as a time."""

    TIME = "time"
    TEXT = "text"
    WHOLE = "whole"
    NUMBER = "number"
    YES_NO = "yes or no"


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column: its name, with the unit in it, and what it holds; any may be empty (None)."""

    name: str
    kind: Kind


class Format(StrEnum):
    """A form of file, by the end of its name."""

    CSV = "csv"
    PACKED_CSV = "csv.gz"
    PARQUET = "parquet"


class TableFile(Protocol):
    """A file that takes rows."""

    def write(self, rows: Sequence[Row]) -> None:
        """Add rows, each with a value a column."""

    def close(self) -> None:
        """Finish the file."""


_READ_AS = {
    Kind.TIME: "BIGINT",
    Kind.TEXT: "VARCHAR",
    Kind.WHOLE: "BIGINT",
    Kind.NUMBER: "DOUBLE",
    Kind.YES_NO: "BOOLEAN",
}


@contextlib.contextmanager
def whole_file(path: pathlib.Path, columns: Sequence[Column], form: Format) -> Iterator[TableFile]:
    """A file to fill; it takes its name at the end, and nothing is left of it after an error.

    Raises:
        OutputUnwritable: it cannot be written.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with contextlib.closing(_opened(part, columns, form)) as file:
            yield file
        with part.open("rb") as written:
            os.fsync(written.fileno())
        part.replace(path)
    except OSError as error:
        raise OutputUnwritable(
            f"{path}: the file cannot be written ({error.strerror or error}); free some space, or name a folder that is "
            "there and yours with --out"
        ) from error
    finally:
        part.unlink(missing_ok=True)


def _opened(part: pathlib.Path, columns: Sequence[Column], form: Format) -> TableFile:
    """The file of a form."""
    if form is Format.PARQUET:
        return ParquetFile(part, columns)
    return CsvFile(part, columns, packed=form is Format.PACKED_CSV)


class CsvFile:
    """CSV (RFC 4180) in UTF-8 with a header; times in ISO 8601 UTC, numbers to nine digits, nothing for None."""

    def __init__(self, path: pathlib.Path, columns: Sequence[Column], *, packed: bool) -> None:
        self._file: IO[str] = (
            gzip.open(path, "wt", encoding="utf-8", newline="")  # noqa: SIM115 - closed by `close`
            if packed
            else path.open("w", encoding="utf-8", newline="")
        )
        self._writer = csv.writer(self._file, lineterminator="\n")
        self._forms = [_WRITERS[column.kind] for column in columns]
        self._writer.writerow([column.name for column in columns])

    def write(self, rows: Sequence[Row]) -> None:
        """Add rows."""
        self._writer.writerows(
            ["" if value is None else form(value) for value, form in zip(row, self._forms, strict=True)] for row in rows
        )

    def close(self) -> None:
        """Finish the file."""
        self._file.close()


def time_text(at_ms: int) -> str:
    """ISO 8601 UTC with Z, with milliseconds only where there are any."""
    at = dt.datetime.fromtimestamp(at_ms // 1000, dt.UTC).replace(tzinfo=None).isoformat()
    return f"{at}.{at_ms % 1000:03d}Z" if at_ms % 1000 else f"{at}Z"


_WRITERS: Mapping[Kind, Callable[[Any], object]] = {
    Kind.TIME: time_text,
    Kind.TEXT: str,
    Kind.WHOLE: int,
    Kind.NUMBER: "{:.9g}".format,
    Kind.YES_NO: int,
}
"""How CSV writes what a column holds."""


class ParquetFile:
    """Apache Parquet, packed; times are timestamps in UTC.

    Rows gather in a CSV file beside it, which the engine turns into columns at the end: it reads as it writes, so that
    a table of any length needs little memory. (pandas would take pyarrow's strings wherever it finds that package, at
    40 MB for every report: another engine leaves pandas alone.)
    """

    def __init__(self, path: pathlib.Path, columns: Sequence[Column]) -> None:
        self._path = path
        self._rows_path = path.with_name(f"{path.name}.rows")
        self._columns = columns
        self._file = self._rows_path.open("w", encoding="utf-8", newline="")
        self._writer = csv.writer(self._file, lineterminator="\n")

    def write(self, rows: Sequence[Row]) -> None:
        """Add rows."""
        self._writer.writerows(
            [_NOTHING if value is None else value for value, _ in zip(row, self._columns, strict=True)] for row in rows
        )

    def close(self) -> None:
        """Finish the file."""
        try:
            self._file.close()
            self._turn()
        finally:
            self._rows_path.unlink(missing_ok=True)

    def _turn(self) -> None:
        """Rows to columns."""
        engine = importlib.import_module("duckdb")  # imported here: only whoever asks for this form pays for it
        read = {column.name: _READ_AS[column.kind] for column in self._columns}
        wanted = ", ".join(
            f'to_timestamp("{column.name}" / 1000.0) AS "{column.name}"'
            if column.kind is Kind.TIME
            else f'"{column.name}"'
            for column in self._columns
        )
        try:
            with contextlib.closing(
                engine.connect(config={"threads": 1, "memory_limit": _ENGINE_MEMORY})
            ) as connection:
                connection.execute("SET enable_progress_bar = false")
                rows = connection.from_csv_auto(
                    str(self._rows_path),
                    header=False,
                    columns=read,
                    na_values=_NOTHING,
                    auto_detect=False,
                    quotechar='"',
                )
                rows.project(wanted).write_parquet(str(self._path), compression="zstd")
        except engine.IOException as error:
            raise OSError(str(error)) from error

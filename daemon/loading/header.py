"""The first line of a file to be loaded: which column stands where. Standard library only."""

import pathlib
from collections.abc import Mapping, Sequence

from config.errors import InputUnusable


def header_names(header: bytes) -> list[str]:
    """The names in a header, without blanks and quotes."""
    return [name.strip().strip('"') for name in header_text(header).split(",")]


def header_text(header: bytes) -> str:
    """A header as text, without a mark of byte order."""
    return header.decode("utf-8-sig", "replace").strip()


def column_places(
    path: pathlib.Path, header: bytes, columns: Sequence[str], *, kind: str, further: Sequence[str] = ()
) -> Mapping[str, int]:
    """Column name -> index in a line.

    Args:
        path: of the file.
        header: its first line.
        columns: what it must hold.
        kind: of file, as a keeper calls it, with its article.
        further: columns that it may hold as well.

    Raises:
        InputUnusable: a column is missing.
    """
    names = header_names(header)
    missing = [name for name in columns if name not in names]
    if missing:
        least = ",".join(columns)
        forms = f"{least} or {','.join((*columns, *further))}" if further else least
        raise InputUnusable(
            f"{path}:1: the header lacks {', '.join(missing)}: the first line of {kind} must be {forms}; "
            f"it is {header_text(header)[:80]!r}"
        )
    return {name: place for place, name in enumerate(names)}

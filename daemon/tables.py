"""Text tables: columns in line."""

from collections.abc import Sequence


def columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """One line a row, every cell as wide as the widest of its column, two spaces between them."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]

"""A plant file's text to records, or to every fault of it at once."""

import re
import tomllib
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from config.document import Document
from config.errors import Fault, PlantFileError
from config.flaws import Flaw, to_fault
from config.lines import key_lines
from config.settings import PlantFile
from config.shape import shape_flaws
from config.tree import tree_flaws

_PLACE = re.compile(r" \((?:at line (?P<line>[0-9]+), column [0-9]+|at end of document)\)$")
_HINTS = (
    (re.compile(r"\{[^}]*(,\s*$|,\s*\})"), " - a table in braces stands on one line, with no comma before its end"),
    (re.compile(r"=\s*[-+]?[0-9./]+\s*[A-Za-z%°\"'/]"), ' - a quantity stands in quotes, like length = "40 cm"'),
    (re.compile(r'"[^"]*[0-9]"[^,\]}"]*"'), ' - inside quotes write in for inches, like "1/2 in sch 40"'),
    (re.compile(r"=\s*(?!true|false|inf|nan)[A-Za-z/]"), ' - text stands in quotes, like name = "carbon"'),
    (re.compile(r'"[^"]*\\'), " - write a backslash twice, or use single quotes"),
)


def parse_plant(text: str, *, file: str) -> PlantFile:
    """Read the text of a plant file.

    Args:
        text: TOML, with or without a byte order mark, with any line ends.
        file: where it came from, for messages.

    Raises:
        PlantFileError: with every fault.
    """
    plain = text.removeprefix("\ufeff")
    try:
        raw = tomllib.loads(plain)
        lines = key_lines(plain)
    except tomllib.TOMLDecodeError as error:
        raise PlantFileError(file, (_syntax_fault(str(error), plain),)) from None
    except (ValueError, RecursionError):
        what = "not TOML that can be read: a number of thousands of digits, or brackets nested hundreds deep"
        raise PlantFileError(file, (Fault(line=0, where="plant file", what=what),)) from None
    document, flaws = _read(raw)
    if document is None or flaws:
        faults = {to_fault(flaw, raw, lines): None for flaw in flaws}
        raise PlantFileError(file, tuple(sorted(faults, key=lambda fault: fault.line)))
    return PlantFile(path=file, plant=document.plant_record(), settings=document.settings_record())


def _read(raw: Mapping[str, Any]) -> tuple[Document | None, list[Flaw]]:
    """The document, if its shape is right, and every flaw."""
    tree = tree_flaws(raw)
    try:
        return Document.model_validate(raw), tree
    except ValidationError as error:
        return None, [*shape_flaws(error, raw), *tree]


def _syntax_fault(message: str, text: str) -> Fault:
    """Where the text stops being TOML, and what the keeper may have meant."""
    found = _PLACE.search(message)
    lines = text.split("\n")
    line = int(found["line"]) if found and found["line"] else len(lines)
    written = lines[line - 1] if line <= len(lines) else ""
    hint = next((hint for mistake, hint in _HINTS if mistake.search(written)), "")
    return Fault(line=line, where="plant file", what=f"not TOML: {_PLACE.sub('', message)}{hint}")

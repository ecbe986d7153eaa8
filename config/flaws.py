"""One fault in the making: a path into the raw plant file and what is wrong there."""

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from config.errors import Fault

Path = tuple[str | int, ...]
NAMED_LISTS = ("run", "meter", "gauge", "serial", "mqtt")
_NAME_SHOWN = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class Flaw:
    """A fault by its path in the raw file (list places from 0)."""

    path: Path
    what: str


def to_fault(flaw: Flaw, raw: Mapping[str, Any], lines: Mapping[Path, int]) -> Fault:
    """The fault in the keeper's words, with its line."""
    return Fault(
        line=_line_of(flaw.path, lines), where=_where(flaw.path, raw), what=flaw.what, pointer=_pointer(flaw.path)
    )


def close_to(word: str, known: tuple[str, ...] | list[str]) -> str:
    """`, did you mean 'x'?` where one of the known words is close, else nothing; first of all one in other case."""
    close = [name for name in known if name.casefold() == word.casefold()] or get_close_matches(word, known, n=1)
    return f", did you mean {close[0]!r}?" if close else ""


def _line_of(path: Path, lines: Mapping[Path, int]) -> int:
    """The line of the place, or of the nearest table around it; 0 if the file holds none of them."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return 0


def _where(path: Path, raw: Mapping[str, Any]) -> str:
    """The path in words: list entries by their name, or counted from 1."""
    parts: list[str] = []
    value: Any = raw
    for place, part in enumerate(path):
        value = _step(value, part)
        if not isinstance(part, int):
            parts.append(str(part))
        elif place == 1 and path[0] in NAMED_LISTS and _plain_name(value):
            parts[-1] = f"{parts[-1]} {_plain_name(value)}"
        else:
            parts[-1] = f"{parts[-1]}[{part + 1}]"
    return ": ".join(parts) or "plant file"


def _step(value: Any, part: str | int) -> Any:
    """What stands at one part of a path; None if nothing does."""
    if isinstance(part, int):
        return value[part] if isinstance(value, list) and part < len(value) else None
    return value.get(part) if isinstance(value, dict) else None


def _plain_name(entry: Any) -> str:
    """The name of a list entry, if it can be shown."""
    name = entry.get("name") if isinstance(entry, dict) else None
    return name if isinstance(name, str) and name.isprintable() and len(name) <= _NAME_SHOWN else ""


def _pointer(path: Path) -> str:
    """RFC 6901."""
    return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in path)

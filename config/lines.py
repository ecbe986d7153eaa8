"""Where in a TOML file each key and each list entry stands.

The standard library's reader gives values without places, so this walks the text once more. It expects text that
`tomllib` has accepted, and skips values without reading them.
"""

import re
import tomllib
from collections.abc import Iterator

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY = re.compile(r"""[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*'""")
_STRING = re.compile(
    r'''"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?'{3,5}|"(?:[^"\\]|\\.)*"|'[^']*\'''',
    re.DOTALL,
)
_BARE = re.compile(r"[^,\]}#\n]*")


def key_lines(text: str) -> dict[Path, int]:
    """The 1-based line of every key, table and list entry of a TOML text, by its path."""
    return _Walk(text).lines


class _Walk:
    """One pass over the text."""

    def __init__(self, text: str) -> None:
        self.lines: dict[Path, int] = {}
        self._text = text
        self._at = 0
        self._line = 1
        self._entries: dict[Path, int] = {}
        self._walk()

    def _walk(self) -> None:
        """Header by header, key by key."""
        table: Path = ()
        self._take(_BLANK)
        while self._at < len(self._text):
            if self._text.startswith("[[", self._at):
                table = self._entry_header()
            elif self._text.startswith("[", self._at):
                table = self._table_header()
            else:
                self._pair(table)
            self._take(_BLANK)

    def _take(self, what: re.Pattern[str]) -> str:
        """What stands here, counting the lines passed."""
        found = what.match(self._text, self._at)
        taken = found[0] if found else self._text[self._at]
        self._at += len(taken)
        self._line += taken.count("\n")
        return taken

    def _skip(self, signs: str) -> bool:
        """Pass a sign if it stands here."""
        if not self._text.startswith(signs, self._at):
            return False
        self._at += len(signs)
        return True

    def _keys(self) -> Iterator[str]:
        """The parts of a dotted key."""
        while True:
            self._take(_BLANK)
            key = self._take(_KEY)
            yield tomllib.loads(f"k = {key}")["k"] if key[0] in "\"'" else key
            self._take(_BLANK)
            if not self._skip("."):
                return

    def _inside(self, table: Path, key: str) -> Path:
        """The path of a key; in a list of tables that means its newest entry."""
        path = (*table, key)
        self.lines.setdefault(path, self._line)
        return (*path, self._entries[path] - 1) if path in self._entries else path

    def _table_header(self) -> Path:
        """[a.b]: the path of the table."""
        self._skip("[")
        table: Path = ()
        for key in self._keys():
            table = self._inside(table, key)
        self._skip("]")
        return table

    def _entry_header(self) -> Path:
        """[[a.b]]: the path of the new entry."""
        self._skip("[[")
        *before, last = self._keys()
        table: Path = ()
        for key in before:
            table = self._inside(table, key)
        path = (*table, last)
        self.lines.setdefault(path, self._line)
        self._entries[path] = self._entries.get(path, 0) + 1
        entry = (*path, self._entries[path] - 1)
        self.lines[entry] = self._line
        self._skip("]]")
        return entry

    def _pair(self, table: Path) -> None:
        """Key = value."""
        path = table
        for key in self._keys():
            path = (*path, key)
            self.lines.setdefault(path, self._line)
        self._skip("=")
        self._take(_BLANK)
        self._value(path)

    def _value(self, path: Path) -> None:
        """Pass a value, noting the lines of what it holds."""
        if self._skip("["):
            self._array(path)
        elif self._skip("{"):
            self._inline_table(path)
        elif self._text[self._at : self._at + 1] in {'"', "'"}:
            self._take(_STRING)
        else:
            self._take(_BARE)

    def _array(self, path: Path) -> None:
        """The entries of an array."""
        number = 0
        self._take(_BLANK)
        while not self._skip("]"):
            entry = (*path, number)
            self.lines[entry] = self._line
            self._value(entry)
            self._take(_BLANK)
            self._skip(",")
            self._take(_BLANK)
            number += 1

    def _inline_table(self, path: Path) -> None:
        """The pairs of an inline table."""
        self._take(_BLANK)
        while not self._skip("}"):
            self._pair(path)
            self._take(_BLANK)
            self._skip(",")
            self._take(_BLANK)

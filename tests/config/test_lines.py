"""The places of keys in TOML, against what the standard library reads from the same text."""

import json
import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.lines import Path, key_lines

TRICKY = '''\
# a comment with [brackets] = "and" quotes
"dotted.in quotes".'x y'.z = 1
text = """
three "quoted" [lines]
a = 1 \\" # not a comment
"""
edge = """"two quotes at each end""""
raw = \'\'\'
it's = {here}
\'\'\'
date = 1979-05-27 07:32:00
list = [ # with a comment ]
  "a]",
  [1, 2], { b = "}", c.d = [3] },
]

[a.b]
c = true

[[row]]
name = "first"
[[row.inner]]
k = 0x1F
[[row.inner]]
k = -inf
[row.more]
m = 'x'
[[row]]
name = "second"
[[row.inner]]
k = 1_000
'''


def paths_of(value: Any, path: Path = ()) -> set[Path]:
    """Every path into a value."""
    if isinstance(value, dict):
        parts: list[tuple[str | int, Any]] = list(value.items())
    elif isinstance(value, list):
        parts = list(enumerate(value))
    else:
        return {path}
    return {path}.union(*(paths_of(inner, (*path, part)) for part, inner in parts))


def test_every_key_and_entry_of_a_tricky_text_has_a_line() -> None:
    """Source: tomllib, whose keys and entries must all be found, and no others."""
    assert set(key_lines(TRICKY)) == paths_of(tomllib.loads(TRICKY)) - {()}


@pytest.mark.parametrize(
    ("path", "written"),
    [
        (("dotted.in quotes", "x y", "z"), '"dotted.in quotes"'),
        (("edge",), "edge ="),
        (("raw",), "raw ="),
        (("date",), "date ="),
        (("list", 0), '"a]"'),
        (("list", 2, "c", "d", 0), "[1, 2]"),
        (("a", "b"), "[a.b]"),
        (("row", 0), "[[row]]"),
        (("row", 0, "inner", 1, "k"), "k = -inf"),
        (("row", 0, "more", "m"), "m = 'x'"),
        (("row", 1, "name"), '"second"'),
        (("row", 1, "inner", 0, "k"), "k = 1_000"),
    ],
)
def test_lines_are_those_where_the_key_stands(path: Path, written: str) -> None:
    """Comments, strings of many lines and lists do not shift the count."""
    assert written in TRICKY.splitlines()[key_lines(TRICKY)[path] - 1]


KEYS = st.one_of(st.from_regex(r"[A-Za-z0-9_-]{1,5}", fullmatch=True), st.text(max_size=4))
SCALARS = st.one_of(st.integers(-99, 99), st.booleans(), st.text(max_size=8))
VALUES = st.recursive(SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3))


def quoted(text: str) -> str:
    """A basic string; JSON escapes are TOML escapes, but for one character."""
    return json.dumps(text).replace("\x7f", "\\u007f")


def inline(value: Any) -> str:
    """A value as TOML on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{quoted(key)} = {inline(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[\n" + ",\n".join(map(inline, value)) + "\n]" if value and not has_table(value) else one_line(value)
    return quoted(value) if isinstance(value, str) else json.dumps(value)


def has_table(value: Any) -> bool:
    """Whether a table stands in a list: inside braces TOML 1.0 has no line breaks, inside brackets it does."""
    return isinstance(value, dict) or (isinstance(value, list) and any(map(has_table, value)))


def one_line(value: list[Any]) -> str:
    """A list on one line."""
    return "[" + ", ".join(map(inline, value)) + "]"


@given(st.dictionaries(KEYS, VALUES, max_size=4), st.lists(st.dictionaries(KEYS, SCALARS, max_size=3), max_size=3))
def test_any_document_gives_the_paths_that_tomllib_reads(top: dict[str, Any], entries: list[dict[str, Any]]) -> None:
    """Source: tomllib, on generated documents."""
    text = "".join(f"{quoted(key)} = {inline(value)}\n" for key, value in top.items() if key != "entry")
    text += "".join(
        "[[entry]]\n" + "".join(f"{quoted(key)} = {inline(value)}\n" for key, value in entry.items())
        for entry in entries
    )
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError:  # a surrogate, which TOML has no way to write
        return

    assert set(key_lines(text)) == paths_of(raw) - {()}

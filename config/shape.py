"""What pydantic finds wrong with the shape of a plant file, in the keeper's words."""

import json
from collections.abc import Callable, Mapping
from difflib import get_close_matches
from typing import Any, get_args

from pydantic import ValidationError, WithJsonSchema
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from config.document import Document
from config.elements import ELEMENT_TABLES, tag_of
from config.fields import Table
from config.flaws import Flaw, Path, close_to
from config.instruments import SOURCE_TABLES, VALUE_TAGS
from config.units import quoted

_TAGGED: dict[str, type[Table]] = {
    tag_of(key): table for key, table in (*ELEMENT_TABLES.items(), *SOURCE_TABLES.items())
} | dict(VALUE_TAGS)
_LISTS = frozenset({"run", "meter", "gauge", "serial", "mqtt"})
_SECRETS = frozenset({"password", "passwd", "pass", "secret", "token", "key", "psk"})
_PLAIN = {
    "string_type": "here text in quotes is wanted",
    "int_type": "here a whole number without quotes is wanted",
    "int_from_float": "here a whole number is wanted",
    "float_type": "here a number without quotes is wanted",
    "bool_type": "write true or false, without quotes",
    "too_short": "must not be empty",
    "string_too_short": "must not be empty",
    "finite_number": "must be a finite number",
}
_LIMITS = {
    "greater_than": ("gt", "must be more than"),
    "greater_than_equal": ("ge", "must be at least"),
    "less_than": ("lt", "must be less than"),
    "less_than_equal": ("le", "must be at most"),
    "string_too_long": ("max_length", "has more characters than"),
    "too_long": ("max_length", "has more entries than"),
}


def shape_flaws(error: ValidationError, raw: Mapping[str, Any]) -> list[Flaw]:
    """One flaw for each error; a key that is missing because it is misspelt is told once, as misspelt."""
    errors = error.errors(include_url=False)
    misspelt = {
        (*details["loc"][:-1], meant)
        for details in errors
        if details["type"] == "extra_forbidden" and (meant := _meant(details)) is not None
    }
    return [_flaw(details, raw) for details in errors if details["type"] != "missing" or details["loc"] not in misspelt]


def _known_keys(table: type[Table]) -> list[str]:
    """The keys of a table, as the file writes them."""
    return [field.alias or name for name, field in table.model_fields.items()]


def _meant(details: ErrorDetails) -> str | None:
    """The key that an unknown one is close to."""
    close = get_close_matches(str(details["loc"][-1]), _known_keys(_table_at(details["loc"][:-1])), n=1)
    return close[0] if close else None


def _flaw(details: ErrorDetails, raw: Mapping[str, Any]) -> Flaw:
    """One error in the keeper's words."""
    path = _raw_path(details["loc"], raw)
    teller = _TELLERS.get(details["type"])
    if teller is not None:
        return Flaw(path=path, what=teller(details))
    if details["type"] in _PLAIN:
        return Flaw(path=path, what=_PLAIN[details["type"]])
    if details["type"] in _LIMITS:
        limit, words = _LIMITS[details["type"]]
        return Flaw(path=path, what=f"{words} {details.get('ctx', {})[limit]}")
    return Flaw(path=path, what=details["msg"])


def _raw_path(loc: tuple[str | int, ...], raw: Mapping[str, Any]) -> Path:
    """The place in the file: pydantic's, without the tags of the tables that were tried."""
    path: list[str | int] = []
    value: Any = raw
    for part in loc:
        if part in _TAGGED and not (isinstance(value, dict) and part in value):
            continue
        path.append(part)
        value = _inside(value, part)
    return tuple(path)


def _inside(value: Any, part: str | int) -> Any:
    """What a list or table holds at one place."""
    if isinstance(value, dict):
        return value.get(part)
    return value[part] if isinstance(value, list) and isinstance(part, int) and part < len(value) else None


def _tell_value(details: ErrorDetails) -> str:
    """One of our own checks failed: its text says it all."""
    return str(details.get("ctx", {}).get("error", details["msg"]))


def _tell_unknown(details: ErrorDetails) -> str:
    """A key that this table does not have."""
    key = str(details["loc"][-1])
    table = _table_at(details["loc"][:-1])
    if key.lower() in _SECRETS:
        return "secrets never stand in the plant file: write password_file or password_credential, which name its place"
    if table in ELEMENT_TABLES.values() and key in ELEMENT_TABLES:
        return f"two elements in one table: write {{ {key} = ... }} as an element of its own, at its place in the path"
    known = _known_keys(table)
    hint = close_to(key, known)
    if not known:
        return "unknown key: this table has no keys yet"
    return f"unknown key{hint or ': take it out'} (known here: {', '.join(known)})"


def _tell_missing(details: ErrorDetails) -> str:
    """A key that this table must have."""
    key = str(details["loc"][-1])
    if len(details["loc"]) == 1:
        return f"missing: write a {f'[[{key}]]' if key in _LISTS else f'[{key}]'} table"
    example = _example(_field(_table_at(details["loc"][:-1]), key))
    return f"missing: write {key} = {example}"


def _tell_table(details: ErrorDetails) -> str:
    """Something stands where a table should."""
    loc = details["loc"]
    if len(loc) == 1:
        return f"here a table is wanted: write it as [{loc[0]}]"
    return "here a table is wanted, like { key = value }"


def _tell_list(details: ErrorDetails) -> str:
    """Something stands where a list should."""
    loc = details["loc"]
    if len(loc) == 1:
        return f"here a list of tables is wanted: write it as [[{loc[0]}]]"
    return "here a list in square brackets is wanted"


def _tell_choice(details: ErrorDetails) -> str:
    """A word that is none of those known."""
    table = _table_at(details["loc"][:-1])
    choices = get_args(_field(table, str(details["loc"][-1])).annotation)
    if choices == (True,):
        return "write true, or take the element out"
    words = [str(choice) for choice in choices]
    value = details["input"]
    hint = close_to(value, words) if isinstance(value, str) else ""
    return f"{quoted(value)} is not known here{hint or ':'} write one of {', '.join(map(json.dumps, words))}"


def _tell_kind(details: ErrorDetails) -> str:
    """A path element or a source that cannot be told from the others."""
    value = details["input"]
    in_path = "path" in details["loc"]
    tables, example = (
        (ELEMENT_TABLES, '{ elbow = "90" }') if in_path else (SOURCE_TABLES, '{ serial = "bench", channel = 1 }')
    )
    kinds = list(tables)
    if not isinstance(value, dict):
        return f"here a table in braces is wanted, like {example}"
    for key in value:
        hint = close_to(str(key), kinds)
        if hint:
            return f"unknown key {quoted(key)}{hint}"
    what = "an element" if in_path else "a source"
    return f"{what} needs one of these keys: {', '.join(kinds)}; like {example}"


_TELLERS: Mapping[str, Callable[[ErrorDetails], str]] = {
    "value_error": _tell_value,
    "extra_forbidden": _tell_unknown,
    "missing": _tell_missing,
    "model_type": _tell_table,
    "dict_type": _tell_table,
    "list_type": _tell_list,
    "literal_error": _tell_choice,
    "union_tag_not_found": _tell_kind,
    "union_tag_invalid": _tell_kind,
}


def _table_at(loc: tuple[str | int, ...]) -> type[Table]:
    """The table that reads a place."""
    table: type[Table] = Document
    for part in loc:
        if isinstance(part, int):
            continue
        table = _TAGGED[part] if part in _TAGGED else _table_in(_field(table, part).annotation) or table
    return table


def _field(table: type[Table], key: str) -> FieldInfo:
    """The field that a key is read by."""
    return next(field for name, field in table.model_fields.items() if key in {name, field.alias})


def _table_in(annotation: Any) -> type[Table] | None:
    """The table inside an annotation such as `list[RunTable]` or `TargetTable | None`."""
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    return next((table for table in map(_table_in, get_args(annotation)) if table is not None), None)


def _example(field: FieldInfo) -> str:
    """A value that may be written, as TOML."""
    schemas = (part.json_schema or {} for part in field.metadata if isinstance(part, WithJsonSchema))
    examples = field.examples or next((schema["examples"] for schema in schemas if "examples" in schema), None)
    choices = get_args(field.annotation)
    if examples is None and choices and all(isinstance(choice, str | bool) for choice in choices):
        examples = list(choices)
    return _toml(examples[0]) if examples else "..."


def _toml(value: Any) -> str:
    """A value as TOML."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return json.dumps(value)

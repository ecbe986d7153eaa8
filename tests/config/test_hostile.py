"""Whatever stands in a plant file, the answer is a plant or a list of its faults."""

import json
import tomllib
from typing import Any

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.errors import PlantFileError
from config.parse import parse_plant
from config.schema import plant_schema
from tests.support.plant_files import REEF

RAW = tomllib.loads(REEF)
VALIDATOR = jsonschema.Draft202012Validator(plant_schema())
WORDS = st.sampled_from(
    [
        "pump",
        "tee",
        "1 m",
        "10 L/h",
        "50 %",
        "",
        "x",
        "\n",
        "../..",
        "M1",
        "1e400 m",
        "0 L/h",
        "-1 cm",
        "M1\u2028",
        "/a",
    ]
)
HUGE = st.sampled_from([10**30, -(10**400), 2**63, 0, -1, 1])
SCALARS = st.one_of(WORDS, st.text(max_size=6), HUGE, st.floats(), st.booleans())
KEYS = st.sampled_from(
    [
        "name",
        "from",
        "to",
        "outlet",
        "path",
        "pipe",
        "hose",
        "length",
        "loss",
        "bed",
        "<pipe>",
        "<serial>",
        "K",
        "serial",
        "x",
        "",
    ]
)
VALUES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3), max_leaves=8
)


def places(value: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Every path into the plant file."""
    if isinstance(value, dict):
        return [path, *(place for key, inner in value.items() for place in places(inner, (*path, key)))]
    if isinstance(value, list):
        return [path, *(place for number, inner in enumerate(value) for place in places(inner, (*path, number)))]
    return [path]


PLACES = [place for place in places(RAW) if place]


def with_value(value: Any, path: tuple[str | int, ...], new: Any) -> Any:
    """A copy with one place exchanged."""
    if not path:
        return new
    head, *rest = path
    copy: Any = list(value) if isinstance(value, list) else dict(value)
    copy[head] = with_value(value[head], tuple(rest), new)
    return copy


def toml(value: Any) -> str:
    """A value as TOML on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {toml(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, float):
        return str(value)
    return json.dumps(value).replace("\x7f", "\\u007f")


def read(text: str) -> bool:
    """Whether the text is a plant; anything but a plant or its faults raises."""
    error = error_of(text)
    if error is None:
        return True
    assert error.faults
    assert all(fault.what and fault.where for fault in error.faults)
    assert str(error).count("reef.toml:") >= len(error.faults)
    return False


def error_of(text: str) -> PlantFileError | None:
    """The error that a text gives, if it gives one."""
    try:
        parse_plant(text, file="reef.toml")
    except PlantFileError as error:
        return error
    return None


@given(st.sampled_from(PLACES), VALUES)
@settings(max_examples=400, suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_any_value_at_any_place(path: tuple[str | int, ...], new: Any) -> None:
    """A plant or faults; and what the program takes, the schema for editors takes."""
    raw = with_value(RAW, path, new)
    sound = read("".join(f"{key} = {toml(value)}\n" for key, value in raw.items()))

    assert not sound or VALIDATOR.is_valid(json.loads(json.dumps(raw)))


@given(st.dictionaries(st.sampled_from([*RAW, "alarms", "store", "notify", "x"]), VALUES, max_size=6))
@settings(deadline=None)
def test_any_tables(raw: dict[str, Any]) -> None:
    """Nothing of a plant file left but its table names."""
    assert not read("".join(f"{json.dumps(key)} = {toml(value)}\n" for key, value in raw.items()))


@given(st.integers(0, len(REEF)), st.text(max_size=5), st.integers(0, 12))
@settings(max_examples=300, deadline=None)
def test_any_slip_of_the_pen(place: int, typed: str, deleted: int) -> None:
    """Some characters of the text lost, others typed in."""
    read(REEF[:place] + typed + REEF[place + deleted :])


@given(st.text())
@settings(deadline=None)
def test_any_text(text: str) -> None:
    """No text at all is a plant by chance."""
    assert not read(text)


@pytest.mark.parametrize("depth", [50, 300, 2000])
def test_deep_nesting(depth: int) -> None:
    """Neither the reader of TOML nor ours falls over."""
    assert not read("x = " + "[" * depth + "]" * depth)
    assert not read("x = " + "{a=" * depth + "1" + "}" * depth)


def test_a_thousand_faults_are_a_thousand_lines() -> None:
    """None is left out."""
    bad = '[[meter]]\nname = "same"\npulses_per_litre = "x"\n' * 500
    with pytest.raises(PlantFileError) as caught:
        parse_plant(REEF + bad, file="reef.toml")

    assert len(caught.value.faults) == 999

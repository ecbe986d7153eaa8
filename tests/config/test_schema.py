"""The JSON Schema for editors agrees with what the program reads."""

import re
import tomllib
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.errors import QuantityError
from config.schema import plant_schema
from config.units import DIMENSIONS, FLOW, LENGTH, Dimension, pattern, read_quantity
from tests.support.plant_files import REEF, changed

SCHEMA = plant_schema()
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
EXAMPLES = sorted((Path(__file__).parents[2] / "config" / "plants").glob("*.toml"))


def test_the_schema_is_one_of_draft_2020_12() -> None:
    """Source: the meta-schema of the draft, as the jsonschema library carries it."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA)

    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("text", [REEF, *(file.read_text(encoding="utf-8") for file in EXAMPLES)])
def test_sound_plant_files_meet_the_schema(text: str) -> None:
    """The examples and the plant of these tests, by the jsonschema library."""
    assert [error.message for error in VALIDATOR.iter_errors(tomllib.loads(text))] == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('name = "Slate cove"', 'nam = "Slate cove"'),
        ('"25 degC"', "25"),
        ('"25 degC"', '"25 m"'),
        ('"24 in"', '"24 inc"'),
        ('"24 in"', '"24,5 in"'),
        ('"1-1/2 in sch 40"', '"1-1/8 in sch 40"'),
        ('{ entrance = "rounded" }', '{ entrance = "round" }'),
        ('{ barb = "8 mm" }', '{ barb = "8 mm", K = 1 }'),
        ("{ exit = true }", "{ exit = false }"),
        ("{ K = 3.5 }", "{ K = -3.5 }"),
        ('outlet = "20 cm"', 'outlet = "20 cm"\nto = "x"'),
        ('outlet = "20 cm"', ""),
        ('{ low = "220 L/h", high = "420 L/h" }', "{ }"),
        ("counter_bits = 16", "counter_bits = 24"),
        ("pulses_per_litre = 30", 'pulses_per_litre = "30"'),
        ('["9000 L/h", "0.5 m"]', '["9000 L/h", "0.5 L/h"]'),
        ("channel = 1", "channel = 0"),
        ('pulses = "/pulses"', 'pulses = "pulses"'),
        ('user = "rack"', 'password = "x"'),
        (', loss = [["150 L/h", "0.15 m"], ["300 L/h", "0.45 m"]]', ""),
        ("porosity = 0.4", "porosity = 4"),
    ],
)
def test_wrong_plant_files_fail_the_schema(old: str, new: str) -> None:
    """An editor marks them before the program does."""
    assert not VALIDATOR.is_valid(tomllib.loads(changed(old, new)))


NUMBERS = st.one_of(
    st.decimals(-999, 999, places=3).map(str),
    st.sampled_from(
        ["1/2", "1-1/2", "1 3/4", "1 - 1/4", "½", "1½", "1 ½", ".5", "5.", "+3", "\u22123", "1e-3", "2E+2"]
    ),
)
QUANTITIES = st.sampled_from(DIMENSIONS).flatmap(
    lambda dimension: st.tuples(
        st.just(dimension),
        NUMBERS,
        st.sampled_from(["", " ", "  "]),
        st.sampled_from(sorted(dimension.units)),
        st.sampled_from([str.upper, str.lower, str.title]),
    )
)


@given(QUANTITIES)
def test_every_quantity_that_is_read_matches_its_pattern(parts: tuple[Dimension, str, str, str, type[str]]) -> None:
    """So that no editor marks a sound file."""
    dimension, number, space, spelling, case = parts
    text = f"{number}{space}{case(spelling)}"
    try:
        read_quantity(text, dimension)
    except QuantityError:
        return

    assert re.search(pattern(dimension), text)


@pytest.mark.parametrize("text", ["20°C", "20 º c", "30 °", "3/4 ″", "2 \u2032", "1 m³ / h", "4 US  gal / h"])
def test_symbols_match_the_patterns_too(text: str) -> None:
    """Degree signs, primes, raised threes, spaces around the stroke."""
    read_by = [dimension for dimension in DIMENSIONS if _reads(text, dimension)]

    assert read_by
    assert all(re.search(pattern(dimension), text) for dimension in read_by)


def _reads(text: str, dimension: Dimension) -> bool:
    """Whether a quantity is one of this dimension."""
    try:
        read_quantity(text, dimension)
    except QuantityError:
        return False
    return True


@pytest.mark.parametrize("text", ["400", "1,5 L/h", "400 m", "x L/h", "1 000 L/h", "4 imp gal/h", ""])
def test_what_is_refused_matches_no_pattern(text: str) -> None:
    """Bare numbers, commas, other units."""
    assert not re.search(pattern(FLOW), text)


def test_lengths_and_flows_have_patterns_of_their_own() -> None:
    """A pattern is not a licence for every unit."""
    assert not re.search(pattern(LENGTH), "3 L/h")

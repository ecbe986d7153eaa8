"""Quantities: what is read, what is refused and what is said."""

import contextlib
import math
from fractions import Fraction
from typing import Any

import pint
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from config.errors import QuantityError
from config.units import (
    ANGLE,
    DIMENSIONS,
    FLOW,
    FLOW_UNITS,
    LENGTH,
    POWER,
    PRESSURE,
    SALINITY,
    SHARE,
    TEMPERATURE,
    TIME,
    Dimension,
    flow_from,
    flow_in,
    flow_unit,
    head_in,
    read_quantity,
    show_bore,
    show_flow,
    show_head,
    show_length,
    show_velocity,
)

# What each of our spellings is called in pint, the outside witness; bare words such as gph do not exist there.
PINT_WORDS = {
    "gph": "gallon/hour",
    "us gph": "gallon/hour",
    "usgph": "gallon/hour",
    "gpm": "gallon/minute",
    "us gpm": "gallon/minute",
    "usgpm": "gallon/minute",
    "lph": "liter/hour",
    "lpm": "liter/minute",
    "lps": "liter/second",
    "w": "watt",
    "kw": "kilowatt",
    "in.": "inch",
    '"': "inch",
    "''": "inch",
    "'": "foot",
    "ft.": "foot",
    "ppt": "g/kg",
    "permille": "g/kg",
    "deg c": "degC",
    "degc": "degC",
    "c": "degC",
    "celsius": "degC",
    "deg f": "degF",
    "degf": "degF",
    "f": "degF",
    "fahrenheit": "degF",
    "pct": "percent",
    "%": "percent",
    "deg": "degree",
    "pa": "pascal",
    "kpa": "kilopascal",
    "hpa": "hectopascal",
    "d": "day",
}
PINT_SI = {
    FLOW.name: "m**3/s",
    LENGTH.name: "m",
    TEMPERATURE.name: "degC",
    SALINITY.name: "g/kg",
    PRESSURE.name: "Pa",
    SHARE.name: "",
    ANGLE.name: "degree",
    POWER.name: "W",
    TIME.name: "s",
}
SPELLINGS = [(dimension, spelling) for dimension in DIMENSIONS for spelling in sorted(dimension.units)]
PINT: Any = pint.UnitRegistry()


def by_pint(value: float, spelling: str, dimension: Dimension) -> float:
    """The quantity in SI by pint, from number and unit apart, so that its reading of fractions does not matter."""
    words = PINT_WORDS.get(spelling, spelling.removeprefix("us ").removeprefix("us"))
    words = words.replace("litre", "liter").replace("gal/", "gallon/").replace("m^3", "m**3").replace("m3", "m**3")
    words = words.replace("/hr", "/hour").replace("/h", "/hour").replace("hourour", "hour")
    if words.startswith("l/"):
        words = "liter" + words[1:]
    return float(PINT.Quantity(value, words).to(PINT_SI[dimension.name]).magnitude)


@pytest.mark.parametrize(("dimension", "spelling"), SPELLINGS, ids=lambda part: getattr(part, "name", part))
def test_every_spelling_has_the_size_that_pint_gives_it(dimension: Dimension, spelling: str) -> None:
    """Source: pint 0.25's unit definitions, for every spelling there is."""
    read = read_quantity(f"12.5 {spelling}", dimension)

    assert read == pytest.approx(by_pint(12.5, spelling, dimension), rel=1e-12)


@given(st.sampled_from(SPELLINGS), st.decimals(min_value="0.0001", max_value="99999", places=4), st.booleans())
def test_decimal_quantities_read_as_pint_reads_them(
    kind: tuple[Dimension, str],
    number: object,
    upper: bool,  # noqa: FBT001 - drawn by hypothesis
) -> None:
    """Source: pint, on any decimal number, in either case of the unit."""
    dimension, spelling = kind
    read = read_quantity(f"{number} {spelling.upper() if upper else spelling}", dimension)

    assert read == pytest.approx(by_pint(float(str(number)), spelling, dimension), rel=1e-9, abs=1e-12)


@given(
    st.integers(0, 99), st.integers(1, 63), st.sampled_from([2, 4, 8, 16, 32, 64]), st.sampled_from([" ", "-", " - "])
)
def test_mixed_fractions_are_exact(whole: int, top: int, bottom: int, joint: str) -> None:
    """Source: Python's rational numbers; pint reads "1 1/2 in" as half an inch."""
    top %= bottom
    read = read_quantity(f"{whole}{joint}{top}/{bottom} in", LENGTH)

    assert read == pytest.approx(float((whole + Fraction(top, bottom)) * Fraction(254, 10000)), rel=1e-12)


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("1 1/2 in", 0.0381),
        ("1-1/2 in", 0.0381),
        ("1½ in", 0.0381),
        ('3/4"', 0.01905),
        ("3/4 ″", 0.01905),
        ("2'", 0.6096),
        ("30''", 0.762),
        ("30 \u2032\u2032", 0.762),
        ("2 ft", 0.6096),
        (".5 m", 0.5),
        ("12.7mm", 0.0127),
        ("-5 cm", -0.05),
        ("\u22125 cm", -0.05),
        ("1e-3 M", 0.001),
        ("  40   CM ", 0.4),
    ],
)
def test_usual_ways_to_write_a_length(text: str, metres: float) -> None:
    """Fractions, signs, symbols, either case."""
    assert read_quantity(text, LENGTH) == pytest.approx(metres, rel=1e-12)


@pytest.mark.parametrize("text", ["400 gal/h", "400 GPH", "400 gph", "400 US gal/h", "400 gallons / hour"])
def test_gallons_are_us_gallons(text: str) -> None:
    """Source: NIST Handbook 44, appendix C: 231 cubic inches, 3.785 411 784 litres."""
    assert read_quantity(text, FLOW) == pytest.approx(400 * 3.785411784e-3 / 3600, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "dimension", "says"),
    [
        ("1,5 L/min", FLOW, "decimal point"),
        ("1,500 L/h", FLOW, "decimal point"),
        ("400", FLOW, "has no unit"),
        (400, FLOW, "400 has no unit: write it in quotes"),
        pytest.param(1 << 20_000, FLOW, "has no unit", id="huge number"),
        (True, FLOW, "a flow is wanted"),
        (None, LENGTH, "a length is wanted"),
        (["1 m"], LENGTH, "a length is wanted"),
        ("1 000 L/h", FLOW, "more than one number"),
        ("1_000 L/h", FLOW, "more than one number"),
        ("4 imp gal/h", FLOW, "imperial gallons are not read (gal is the US gallon here, 3.785 L)"),
        ("4 imperial gph", FLOW, "imperial"),
        ("4 UK gal/min", FLOW, "4.54609 L"),
        ("12 inc", LENGTH, "did you mean 'in"),
        ("12 psi", LENGTH, "the unit of a pressure; here a length is wanted"),
        ("3 m", FLOW, "the unit of a length; here a flow is wanted"),
        ("1.025 sg", SALINITY, "35 g/kg"),
        ("60", SHARE, "write a percentage like '60 %', in %"),
        (0.6, SHARE, "like '60 %', in %"),
        ("nan m", LENGTH, "does not start with a number"),
        ("inf m", LENGTH, "does not start with a number"),
        ("1e999 m", LENGTH, "too large"),
        ("1e308 kPa", PRESSURE, "too large"),
        ("1/0 in", LENGTH, "not a fraction"),
        ("1 3/2 in", LENGTH, "not a fraction"),
        ("1/99999999 in", LENGTH, "too large"),
        ("m", LENGTH, "does not start with a number"),
        ("", LENGTH, "does not start with a number"),
        ("1 m; import os", LENGTH, "unknown unit"),
        ("9**9**2 in", LENGTH, "unknown unit"),
        ("٣ m", LENGTH, "does not start with a number"),
        ("5 \u212aPa", PRESSURE, "unknown unit"),
        ("1 " + "x" * 5000, LENGTH, "..."),
    ],
)
def test_what_has_two_readings_is_refused_with_what_to_write(text: object, dimension: Dimension, says: str) -> None:
    """Never a guess: the message names the mistake."""
    with pytest.raises(QuantityError) as caught:
        read_quantity(text, dimension)

    assert says in str(caught.value)
    assert len(str(caught.value)) < 400


@pytest.mark.parametrize(
    ("text", "limits", "says"),
    [
        ("-1 gph", {"low": 0.0}, "at least 0 gph"),
        ("0 gph", {"above": 0.0}, "more than 0 gph"),
        ("3 m3/h", {"high": 2 / 3600}, "at most 2 m3/h"),
    ],
)
def test_limits_are_told_in_the_unit_that_was_used(text: str, limits: dict[str, float], says: str) -> None:
    """What makes no sense here is refused in the keeper's unit."""
    with pytest.raises(QuantityError, match=says):
        read_quantity(text, FLOW, **limits)


def test_a_limit_of_temperature_knows_its_zero() -> None:
    """60 degC is 140 degF."""
    with pytest.raises(QuantityError, match="at most 140 f"):
        read_quantity("200 f", TEMPERATURE, high=60.0)
    with pytest.raises(QuantityError, match="more than 32 f"):
        read_quantity("30 f", TEMPERATURE, above=0.0)
    with pytest.raises(QuantityError, match="at least 32 f"):
        read_quantity("30 f", TEMPERATURE, low=0.0)


@given(st.text(max_size=30), st.sampled_from(DIMENSIONS))
@example("1-/2 in", LENGTH)
@example("\x00", FLOW)
def test_any_text_is_read_or_refused(text: str, dimension: Dimension) -> None:
    """Nothing else than a finite number or a QuantityError comes out."""
    with contextlib.suppress(QuantityError):
        assert math.isfinite(read_quantity(text, dimension))


@given(st.floats(1e-9, 0.3), st.sampled_from(FLOW_UNITS))
def test_a_flow_shown_and_read_again_is_the_same(flow_m3s: float, unit: str) -> None:
    """Identity: in and out of every unit."""
    assert flow_from(unit, flow_in(unit, flow_m3s)) == pytest.approx(flow_m3s, rel=1e-12)


@pytest.mark.parametrize(
    ("litres_an_hour", "unit", "shown"),
    [
        (1146.0, "L/h", "1,150 L/h"),
        (8625.82, "gal/h", "2,280 gal/h"),
        (999.7, "L/h", "1,000 L/h"),
        (42.04, "L/h", "42.0 L/h"),
        (3.14159, "L/h", "3.14 L/h"),
        (0.01234, "L/h", "0.012 L/h"),
        (0.0, "L/h", "0 L/h"),
        (-0.0001, "L/h", "0 L/h"),
        (-3283.1, "L/h", "-3,280 L/h"),
        (8625.82, "m3/h", "8.63 m3/h"),
        (12.0, "m3/h", "0.012 m3/h"),
        (math.nan, "L/min", "unknown L/min"),
    ],
)
def test_flows_are_shown_with_three_digits(litres_an_hour: float, unit: str, shown: str) -> None:
    """More digits than a pulse meter has would be a lie."""
    assert show_flow(litres_an_hour / 3.6e6, unit) == shown


def test_heads_go_with_the_unit_of_flow() -> None:
    """Gallons go with feet, litres with metres."""
    assert (show_head(1.524, "gal/h"), show_head(1.524, "L/min"), show_head(-0.001, "L/h")) == (
        "5.00 ft",
        "1.52 m",
        "0.00 m",
    )
    assert head_in("gal/min", 0.3048) == pytest.approx(1.0)


def test_bores_are_shown_in_millimetres() -> None:
    """As pipe tables print them."""
    assert show_bore(0.026645) == "26.6 mm"
    assert show_bore(0.026645, "gal/min") == "1.05 in"


@pytest.mark.parametrize(("text", "name"), [("GPH", "gal/h"), ("lpm", "L/min"), ("l/h", "L/h"), ("m³/h", "m3/h")])
def test_a_flow_unit_has_one_name(text: str, name: str) -> None:
    """Every usual spelling leads to the one name that reports use."""
    assert flow_unit(text) == name


@pytest.mark.parametrize("text", ["gallons", "L", "ml/h", "", 3, None])
def test_a_unit_that_flows_are_not_shown_in_is_refused(text: object) -> None:
    """The message lists those that are."""
    with pytest.raises(QuantityError, match="gal/h, gal/min, L/h, L/min, m3/h"):
        flow_unit(text)


def test_lengths_and_velocities_go_with_the_flow_unit() -> None:
    """With US gallons a keeper reads feet and feet a second; 1.5 m/s is 4.92 ft/s by the foot of 0.3048 m."""
    assert (show_length(2.2, "L/h"), show_length(3.048, "gal/h")) == ("2.20 m", "10.00 ft")
    assert (show_velocity(1.5, "m3/h"), show_velocity(1.5, "gal/h")) == ("1.50 m/s", "4.9 ft/s")

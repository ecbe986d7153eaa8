"""Quantities as keepers write them: text to SI, and SI back to text.

A quantity is a number and a unit ("1-1/2 in", "400 gph", "25 degC"). Case does not matter, "gal" is the US gallon,
and whatever could be read in two ways is refused with what to write instead: a bare number, a decimal comma, a
thousands comma, an imperial gallon.
"""

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from config.errors import QuantityError

INCH_M = 0.0254  # exact: international yard and pound agreement, 1959
FOOT_M = 12 * INCH_M
US_GALLON_M3 = 231 * INCH_M**3  # exact: NIST Handbook 44, appendix C, 231 cubic inches
IMPERIAL_GALLON_L = 4.54609  # exact: UK Units of Measurement Regulations 1995; named in a message only
PSI_PA = 6894.757293168361  # 0.45359237 kg x 9.80665 m/s2 over a square inch
HOUR_S = 3600.0
MINUTE_S = 60.0
LITRE_M3 = 1e-3

_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_FRACTION = r"[+-]?(?:[0-9]+(?:\s+|\s*-\s*))?[0-9]+\s*/\s*[0-9]+"
_QUANTITY = re.compile(rf"(?P<number>{_FRACTION}|{_NUMBER})\s*(?P<unit>.*)", re.DOTALL)
_SYMBOLS = str.maketrans(
    {"°": "deg", "º": "deg", "³": "3", "″": '"', "”": '"', "\u2032": "'", "\u2019": "'", "\u2212": "-"}
)
_VULGAR = {"¼": "1/4", "½": "1/2", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
_SHOWN_TEXT = 60
_SHOWN_NUMBER = 10**15


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One unit: SI value = (value - `zero`) * `scale`."""

    scale: float
    zero: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Dimension:
    """What is measured, and every unit that it may be written in.

    Attributes:
        name: with its article, for messages ("a flow").
        example: a quantity as it may be written.
        named: the units that messages offer.
        units: normalised spelling -> unit.
    """

    name: str
    example: str
    named: tuple[str, ...]
    units: Mapping[str, Unit]


def _spelled(**scales: tuple[float, str]) -> dict[str, Unit]:
    """Units from `label=(scale, "spelling|spelling")`; the label is there for the reader only."""
    return {spelling: Unit(scale=scale) for scale, spellings in scales.values() for spelling in spellings.split("|")}


_GALLON = ("gal/{0}", "us gal/{0}", "usgal/{0}", "gallon/{0}", "gallons/{0}")
_LITRE = ("l/{0}", "litre/{0}", "litres/{0}", "liter/{0}", "liters/{0}")
_CUBIC = ("m3/{0}", "m^3/{0}")
_PER = {"h": HOUR_S, "hr": HOUR_S, "hour": HOUR_S, "min": MINUTE_S, "minute": MINUTE_S, "s": 1.0, "sec": 1.0}


def _flows() -> dict[str, Unit]:
    """Every spelling of a flow."""
    volumes = ((US_GALLON_M3, _GALLON), (LITRE_M3, _LITRE), (1.0, _CUBIC), (1e-6, ("ml/{0}",)))
    spelled = {
        spelling.format(per): Unit(scale=volume / seconds)
        for volume, spellings in volumes
        for spelling in spellings
        for per, seconds in _PER.items()
    }
    short = _spelled(
        gallons_hour=(US_GALLON_M3 / HOUR_S, "gph|us gph|usgph"),
        gallons_minute=(US_GALLON_M3 / MINUTE_S, "gpm|us gpm|usgpm"),
        litres_hour=(LITRE_M3 / HOUR_S, "lph"),
        litres_minute=(LITRE_M3 / MINUTE_S, "lpm"),
        litres_second=(LITRE_M3, "lps"),
    )
    return spelled | short


FLOW = Dimension(
    name="a flow", example="400 L/h", named=("L/h", "L/min", "m3/h", "gal/h", "gal/min (US gallons)"), units=_flows()
)
LENGTH = Dimension(
    name="a length",
    example="40 cm",
    named=("mm", "cm", "m", "in", "ft"),
    units=_spelled(
        millimetre=(1e-3, "mm|millimetre|millimetres|millimeter|millimeters"),
        centimetre=(1e-2, "cm|centimetre|centimetres|centimeter|centimeters"),
        metre=(1.0, "m|metre|metres|meter|meters"),
        inch=(INCH_M, "in|inch|inches|\"|''|in."),
        foot=(FOOT_M, "ft|foot|feet|'|ft."),
    ),
)
TEMPERATURE = Dimension(
    name="a temperature",
    example="25 degC",
    named=("degC", "degF"),
    units={
        **{spelling: Unit(scale=1.0) for spelling in ("degc", "deg c", "c", "celsius")},
        **{spelling: Unit(scale=5 / 9, zero=32.0) for spelling in ("degf", "deg f", "f", "fahrenheit")},
    },
)
SALINITY = Dimension(
    name="a salinity", example="35 g/kg", named=("g/kg", "ppt"), units=_spelled(mass=(1.0, "g/kg|ppt|permille"))
)
PRESSURE = Dimension(
    name="a pressure",
    example="20 kPa",
    named=("kPa", "psi", "bar", "mbar"),
    units=_spelled(
        pascal=(1.0, "pa"), kilo=(1e3, "kpa"), psi=(PSI_PA, "psi"), bar=(1e5, "bar"), mbar=(1e2, "mbar|hpa")
    ),
)
_WATTS = _spelled(watt=(1.0, "w|watt|watts"), kilo=(1e3, "kw|kilowatt"))
POWER = Dimension(name="a power", example="45 W", named=("W", "kW"), units=_WATTS)
SHARE = Dimension(name="a percentage", example="60 %", named=("%",), units=_spelled(percent=(0.01, "%|percent|pct")))
ANGLE = Dimension(name="an angle", example="30 deg", named=("deg",), units=_spelled(degree=(1.0, "deg|degree|degrees")))
TIME = Dimension(
    name="a time",
    example="10 min",
    named=("s", "min", "h", "d"),
    units=_spelled(
        second=(1.0, "s|sec|second|seconds"),
        minute=(MINUTE_S, "min|minute|minutes"),
        hour=(HOUR_S, "h|hr|hour|hours"),
        day=(86400.0, "d|day|days"),
    ),
)
DIMENSIONS = (FLOW, LENGTH, TEMPERATURE, SALINITY, PRESSURE, POWER, SHARE, ANGLE, TIME)

FLOW_UNITS = ("gal/h", "gal/min", "L/h", "L/min", "m3/h")
_FOOT_FLOWS = frozenset({"gal/h", "gal/min"})


def read_quantity(
    text: object,
    dimension: Dimension,
    *,
    low: float | None = None,
    high: float | None = None,
    above: float | None = None,
) -> float:
    """Read a quantity.

    Args:
        text: number and unit, as the keeper wrote them.
        dimension: what is wanted.
        low: least value allowed, SI.
        high: greatest value allowed, SI.
        above: the value must be more than this, SI.

    Returns:
        The value in SI (temperatures in degC, salinities in g/kg, percentages as a fraction, angles in degrees).

    Raises:
        QuantityError: saying what to write instead.
    """
    if not isinstance(text, str):
        raise QuantityError(_unquoted(text, dimension))
    number_text, unit_text = _split(text, dimension)
    unit = _find_unit(text, unit_text, dimension)
    si_value = (_number(text, number_text) - unit.zero) * unit.scale
    _check_limits(text, si_value, unit, unit_text, low=low, high=high, above=above)
    return si_value


def flow_in(unit: str, flow_m3s: float) -> float:
    """The flow in one of FLOW_UNITS, or any other spelling of a flow unit."""
    return flow_m3s / _known(unit, FLOW).scale


def flow_from(unit: str, flow: float) -> float:
    """The flow in m3/s from a figure in one of FLOW_UNITS, or any other spelling of a flow unit."""
    return flow * _known(unit, FLOW).scale


def flow_unit(text: object) -> str:
    """The one of FLOW_UNITS that the keeper means by "GPH", "lph", "gal/hr", ...

    Raises:
        QuantityError: for anything else.
    """
    if isinstance(text, str):
        found = FLOW.units.get(_normal(text))
        for name in FLOW_UNITS:
            if found == FLOW.units[_normal(name)]:
                return name
    raise QuantityError(f"{quoted(text)} is not a unit that flows are shown in: write one of {_listed(FLOW_UNITS)}")


def head_unit(flow_unit_name: str) -> str:
    """The unit of head that goes with a flow unit: ft with US gallons, else m."""
    return "ft" if flow_unit_name in _FOOT_FLOWS else "m"


def head_in(flow_unit_name: str, head_m: float) -> float:
    """The head in the unit that goes with a flow unit."""
    return head_m / LENGTH.units[head_unit(flow_unit_name)].scale


def show_flow(flow_m3s: float, unit: str) -> str:
    """The flow as the keeper reads it: three digits, "1,150 L/h"."""
    return f"{_three_digits(flow_in(unit, flow_m3s))} {unit}"


def show_head(head_m: float, flow_unit_name: str) -> str:
    """The head as the keeper reads it, in the unit that goes with the flow unit: "1.52 m", "4.99 ft"."""
    unit = head_unit(flow_unit_name)
    return f"{head_in(flow_unit_name, head_m):,.2f} {unit}".replace("-0.00 ", "0.00 ")


def show_length(length_m: float, flow_unit_name: str) -> str:
    """The length as the keeper reads it, in the unit that goes with the flow unit: "2.20 m", "7.22 ft"."""
    return show_head(length_m, flow_unit_name)


def show_velocity(velocity_m_s: float, flow_unit_name: str) -> str:
    """The velocity as the keeper reads it, in the unit that goes with the flow unit: "1.41 m/s", "4.6 ft/s"."""
    digits = 1 if head_unit(flow_unit_name) == "ft" else 2
    return f"{head_in(flow_unit_name, velocity_m_s):.{digits}f} {head_unit(flow_unit_name)}/s"


def show_bore(bore_m: float, flow_unit_name: str = "L/h") -> str:
    """A bore as the keeper reads it, in the unit that goes with the flow unit: "26.6 mm", "1.05 in"."""
    if head_unit(flow_unit_name) == "ft":
        return f"{bore_m / INCH_M:.2f} in"
    return f"{bore_m * 1e3:.1f} mm"


def pattern(dimension: Dimension) -> str:
    """A regular expression (ECMA 262, for JSON Schema) that every readable quantity of this dimension matches."""
    vulgar = "".join(_VULGAR)
    number = rf"[+\-\u2212]?(?:[0-9]*\s*[{vulgar}]|{_FRACTION.removeprefix('[+-]?')}|{_NUMBER.removeprefix('[+-]?')})"
    spellings = sorted(dimension.units, key=len, reverse=True)
    return rf"^\s*{number}\s*(?:{'|'.join(map(_any_case, spellings))})\s*$"


def _any_case(spelling: str) -> str:
    """A regular expression for one spelling in upper or lower case, with the symbols that stand for parts of it."""
    symbols = {"/": r"\s*/\s*", " ": r"\s+", '"': '["″”]', "'": "['\u2032\u2019]", "^": r"\^", ".": r"\."}
    letters = (
        f"[{letter}{letter.upper()}]" if letter.isalpha() else symbols.get(letter, letter)
        for letter in spelling.replace("deg", "°")
    )
    degree = "(?:[dD][eE][gG]|[°º])"
    return "".join(letters).replace("[°°]", "°").replace("°", degree, 1).replace("3", "[3³]")


def _split(text: str, dimension: Dimension) -> tuple[str, str]:
    """Number and unit as texts; whatever has a second reading is refused here."""
    plain = text.translate(_SYMBOLS).strip()
    for sign, fraction in _VULGAR.items():
        plain = plain.replace(sign, f" {fraction}")
    plain = plain.strip()
    if re.search(r"[0-9],\s*[0-9]|^,[0-9]", plain):
        raise QuantityError(
            f"{quoted(text)} has a comma in its number: write a decimal point and no thousands sign, "
            f'for example "1.5" or "1500", then the unit'
        )
    found = _QUANTITY.fullmatch(plain)
    if found is None:
        raise QuantityError(
            f"{quoted(text)} does not start with a number: write {dimension.name} like {dimension.example!r}"
        )
    unit_text = found["unit"]
    if not unit_text:
        raise QuantityError(
            f"{quoted(text)} has no unit: write {dimension.name} like {dimension.example!r}, {_in_one_of(dimension)}"
        )
    if re.match(r"[0-9_./+-]", unit_text):
        raise QuantityError(
            f"{quoted(text)} has more than one number: write one number and one unit, like {dimension.example!r}"
        )
    return found["number"], unit_text


def _number(text: str, number_text: str) -> float:
    """A decimal number, a fraction or a mixed fraction."""
    if "/" not in number_text:
        return float(number_text)
    sign = -1.0 if number_text.startswith("-") else 1.0
    *whole, top, bottom = (_whole(text, digits) for digits in re.findall(r"[0-9]+", number_text))
    if bottom == 0 or (whole and top >= bottom):
        raise QuantityError(f'{quoted(text)} is not a fraction: write it like "1-1/2"')
    return sign * (sum(whole) + top / bottom)


def _whole(text: str, digits: str) -> int:
    """A part of a fraction, of a length that somebody may have measured."""
    if len(digits) > 6:  # noqa: PLR2004 - a part of a fraction has few digits
        raise QuantityError(f"{quoted(text)} is too large a number")
    return int(digits)


def _find_unit(text: str, unit_text: str, dimension: Dimension) -> Unit:
    """The unit, or an error that says which one may have been meant."""
    wanted = _normal(unit_text)
    found = dimension.units.get(wanted)
    if found is not None:
        return found
    use = f"use one of {_listed(dimension.named)}"
    if dimension is LENGTH and wanted in PRESSURE.units:
        use += "; as a head, 1 kPa is about 0.1 m of water, 1 psi about 0.69 m of sea water"
    if dimension is FLOW and re.match(r"(imp|imperial|uk|i\.?g)", wanted):
        raise QuantityError(
            f"{quoted(text)}: imperial gallons are not read (gal is the US gallon here, 3.785 L); "
            f"write L/h or L/min, one imperial gallon being {IMPERIAL_GALLON_L} L"
        )
    for other in DIMENSIONS:
        if wanted in other.units:
            raise QuantityError(
                f"{quoted(text)}: {unit_text!r} is the unit of {other.name}; here {dimension.name} is wanted, {use}"
            )
    if dimension is SALINITY and wanted in {"sg", "psu"}:
        use += "; 1.0264 by hydrometer at 25 degC is about 35 g/kg, and so is 34.8 psu"
    close = difflib.get_close_matches(wanted, dimension.units, n=1)
    hint = f" (did you mean {close[0]!r}?)" if close else ""
    raise QuantityError(f"{quoted(text)}: unknown unit {quoted(unit_text)}; {use}{hint}")


def _check_limits(  # noqa: PLR0913 - the three limits are one thought, named at every call
    text: str,
    si_value: float,
    unit: Unit,
    unit_text: str,
    *,
    low: float | None,
    high: float | None,
    above: float | None,
) -> None:
    """Refuse what makes no sense here, in the unit that the keeper used."""
    if not math.isfinite(si_value):
        raise QuantityError(f"{quoted(text)} is too large a number")
    if above is not None and si_value <= above:
        raise QuantityError(f"{quoted(text)} must be more than {above / unit.scale + unit.zero:.4g} {unit_text}")
    if low is not None and si_value < low:
        raise QuantityError(f"{quoted(text)} must be at least {low / unit.scale + unit.zero:.4g} {unit_text}")
    if high is not None and si_value > high:
        raise QuantityError(f"{quoted(text)} must be at most {high / unit.scale + unit.zero:.4g} {unit_text}")


def _normal(unit_text: str) -> str:
    """One spelling for all cases, symbols and spaces; text that is not ASCII then stays as it is and is not found."""
    plain = re.sub(r"\s*/\s*", "/", " ".join(unit_text.translate(_SYMBOLS).split()))
    return plain.lower() if plain.isascii() else plain


def _known(unit: str, dimension: Dimension) -> Unit:
    """A unit that the program itself names."""
    return _find_unit(unit, unit, dimension)


def _three_digits(value: float) -> str:
    """Three significant digits, at most three decimals, thousands apart."""
    if not math.isfinite(value):
        return "unknown"
    magnitude = math.floor(math.log10(abs(value))) if value else 0
    decimals = 2 - magnitude
    shown = f"{round(value, decimals):,.{min(max(decimals, 0), 3)}f}"
    return "0" if float(shown.replace(",", "")) == 0.0 else shown


def _unquoted(value: object, dimension: Dimension) -> str:
    """What to say to a bare number, or to something that is no quantity at all."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return (
            f"{quoted(value)} has no unit: write it in quotes with its unit, like {dimension.example!r}, "
            f"{_in_one_of(dimension)}"
        )
    return f"here {dimension.name} is wanted, in quotes with its unit, like {dimension.example!r}"


def quoted(value: object) -> str:
    """A value of the plant file as it was written, cut if it is long."""
    if isinstance(value, int) and abs(value) > _SHOWN_NUMBER:
        return "a number of many digits"
    shown = repr(value)
    return shown if len(shown) <= _SHOWN_TEXT else shown[:_SHOWN_TEXT] + "..."


def _in_one_of(dimension: Dimension) -> str:
    """The units to choose from, for a sentence; "in %" where there is no choice."""
    return f"in {'one of ' * (len(dimension.named) > 1)}{_listed(dimension.named)}"


def _listed(words: tuple[str, ...]) -> str:
    """A list for a sentence."""
    return ", ".join(words)

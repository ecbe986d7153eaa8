"""The fields of a plant file: quantities, names and points, as types that check what they read.

Each type carries its JSON Schema, so that what an editor accepts and what the program accepts come from one place.
"""

import re
from collections.abc import Callable
from functools import partial
from itertools import pairwise
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from config.errors import QuantityError
from config.pipes import PIPE_PATTERN, PipeSize, pipe_size
from config.units import (
    ANGLE,
    FLOW,
    FLOW_UNITS,
    LENGTH,
    POWER,
    SALINITY,
    SHARE,
    TEMPERATURE,
    Dimension,
    flow_unit,
    pattern,
    quoted,
    read_quantity,
)

TURN_DEG = 90.0
MAX_FLOW_M3S = 0.3  # over 1000 m3/h: no plant of this kind
MAX_HEAD_M = 100.0
MAX_BORE_M = 0.6
MAX_LENGTH_M = 1000.0
MAX_ROUGHNESS_M = 0.005
MAX_POWER_W = 10_000.0
_NAME_LENGTH = 80
_POINT = 2


class Table(BaseModel):
    """A table of the plant file: unknown keys are faults, nothing is coerced, nothing changes afterwards."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False, validate_by_alias=True)


def _schema(dimension: Dimension) -> WithJsonSchema:
    """What an editor shows for a quantity."""
    return WithJsonSchema({"type": "string", "pattern": pattern(dimension), "examples": [dimension.example]})


def _reader(dimension: Dimension, **limits: float) -> BeforeValidator:
    """A validator that reads one quantity within limits (see `read_quantity`)."""
    return BeforeValidator(partial(read_quantity, dimension=dimension, **limits))


_NOT_NEGATIVE_FLOW = partial(read_quantity, dimension=FLOW, low=0.0, high=MAX_FLOW_M3S)
_NOT_NEGATIVE_HEAD = partial(read_quantity, dimension=LENGTH, low=0.0, high=MAX_HEAD_M)
_SOME_POWER = partial(read_quantity, dimension=POWER, above=0.0, high=MAX_POWER_W)

FlowM3s = Annotated[float, _reader(FLOW, low=0.0, high=MAX_FLOW_M3S), _schema(FLOW)]
PositiveFlowM3s = Annotated[float, _reader(FLOW, above=0.0, high=MAX_FLOW_M3S), _schema(FLOW)]
LengthM = Annotated[float, _reader(LENGTH, low=0.0, high=MAX_LENGTH_M), _schema(LENGTH)]
HeightM = Annotated[float, _reader(LENGTH, low=-MAX_HEAD_M, high=MAX_HEAD_M), _schema(LENGTH)]
BoreM = Annotated[float, _reader(LENGTH, above=0.0, high=MAX_BORE_M), _schema(LENGTH)]
RoughnessM = Annotated[float, _reader(LENGTH, low=0.0, high=MAX_ROUGHNESS_M), _schema(LENGTH)]
TemperatureC = Annotated[float, _reader(TEMPERATURE, low=0.0, high=60.0), _schema(TEMPERATURE)]
SalinityGPerKg = Annotated[float, _reader(SALINITY, low=0.0, high=150.0), _schema(SALINITY)]
SpeedShare = Annotated[float, _reader(SHARE, above=0.0, high=1.5), _schema(SHARE)]
NominalPipe = Annotated[
    PipeSize,
    BeforeValidator(pipe_size),
    WithJsonSchema({"type": "string", "pattern": PIPE_PATTERN, "examples": ["1-1/2 in sch 40"]}),
]
FlowUnit = Annotated[
    str, BeforeValidator(flow_unit), WithJsonSchema({"type": "string", "examples": list(FLOW_UNITS), "minLength": 3})
]


def _opening(text: object) -> float:
    """How far a valve that is "60 %" open is closed: 36 of 90 degrees."""
    return (1.0 - read_quantity(text, SHARE, low=0.0, high=1.0)) * TURN_DEG


def _gate_closed_deg(text: object) -> float:
    """A gate valve is set by its opening."""
    try:
        return _opening(text)
    except QuantityError as error:
        raise QuantityError(f'{error}: a gate valve is set by its opening, "60 %" being 60 % open') from None


def _ball_closed_deg(text: object) -> float:
    """A ball valve is set by its opening, or by the turn of its handle from fully open; without a unit, the first is offered."""
    by_turn = isinstance(text, str) and re.search(r"deg|[°º]", text, re.IGNORECASE)
    try:
        return read_quantity(text, ANGLE, low=0.0, high=TURN_DEG) if by_turn else _opening(text)
    except QuantityError as error:
        raise QuantityError(
            f'{error}: a ball valve is set by its opening ("60 %" open) '
            'or by the turn of its handle from fully open ("30 deg")'
        ) from None


BallClosedDeg = Annotated[
    float,
    BeforeValidator(_ball_closed_deg),
    WithJsonSchema({"type": "string", "pattern": f"{pattern(SHARE)}|{pattern(ANGLE)}", "examples": ["60 %", "30 deg"]}),
]
GateClosedDeg = Annotated[float, BeforeValidator(_gate_closed_deg), _schema(SHARE)]


def _porosity(value: object) -> float:
    """A share between 0 and 1, plain or in per cent."""
    share = value if isinstance(value, int | float) else read_quantity(value, SHARE)
    if isinstance(value, bool) or not 0.0 < share < 1.0:
        raise ValueError('porosity lies between 0 and 1: write it like 0.4 or "40 %"')
    return float(share)


Porosity = Annotated[
    float,
    BeforeValidator(_porosity),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 1},
                {"type": "string", "pattern": pattern(SHARE)},
            ],
            "examples": [0.4, "40 %"],
        }
    ),
]


def _one_line(text: str) -> str:
    """Names go into tables, messages and charts: one line, no stray spaces, nothing unprintable."""
    if not text.strip() or len(text) > _NAME_LENGTH:
        raise ValueError(f"a name has 1 to {_NAME_LENGTH} characters")
    if text != text.strip() or not text.isprintable():
        raise ValueError("a name has no line breaks, control characters or spaces around it")
    return text


Name = Annotated[str, Field(min_length=1, max_length=_NAME_LENGTH), AfterValidator(_one_line)]


def _text(text: str) -> str:
    """Paths, hosts and topics: not empty, nothing unprintable."""
    if not text.strip() or not text.isprintable():
        raise ValueError("must not be empty, nor hold line breaks or control characters")
    return text


Text = Annotated[str, Field(min_length=1), AfterValidator(_text)]


def _json_pointer(text: str) -> str:
    """RFC 6901: empty for the whole payload, else parts that each start with /; ~ only as ~0 or ~1."""
    if not re.fullmatch(r"(?:/(?:[^~/]|~[01])*)*", text, re.DOTALL):
        raise ValueError(f'{quoted(text)} is not a JSON Pointer: write it like "/pulses", or "" for a plain number')
    return text


JsonPointer = Annotated[
    str,
    AfterValidator(_json_pointer),
    WithJsonSchema({"type": "string", "pattern": r"^(/([^~/]|~[01])*)*$", "examples": ["/pulses"]}),
]


def _mqtt_topic(text: str) -> str:
    """One topic, not a filter: with a wildcard the counters of several devices would run into one meter."""
    if not text.strip("/") or "\0" in text or len(text.encode("utf-8", "replace")) > 65_535:  # noqa: PLR2004 - MQTT 5.0, 1.5.4
        raise ValueError("a topic is not empty, holds no NUL and has at most 65,535 bytes")
    if "+" in text or "#" in text:
        raise ValueError(f"{quoted(text)} has a wildcard: name the one topic that this meter or gauge is sent on")
    return text


Topic = Annotated[str, Field(min_length=1), AfterValidator(_mqtt_topic)]

Point = tuple[float, float]
Reader = Callable[[object], float]


def read_points(value: object, first: Reader, second: Reader, *, example: str) -> tuple[Point, ...]:
    """Read a list of pairs, e.g. [["0 L/h", "4.6 m"], ...].

    Raises:
        ValueError: naming every pair that cannot be read, counted from 1.
    """
    if not isinstance(value, list) or not value:
        raise ValueError(f"here a list of pairs is wanted, like {example}")
    points: list[Point] = []
    faults: list[str] = []
    for number, pair in enumerate(value, start=1):
        if not isinstance(pair, list) or len(pair) != _POINT:
            faults.append(f"point {number} is not a pair: write it like {example}")
            continue
        try:
            points.append((first(pair[0]), second(pair[1])))
        except ValueError as error:
            faults.append(f"point {number}: {error}")
    if faults:
        raise ValueError("; ".join(faults))
    return tuple(points)


def check_rising(points: tuple[Point, ...], column: int, what: str) -> None:
    """Every point must lie above the one before it.

    Raises:
        ValueError: naming the first point that does not.
    """
    for number, (before, point) in enumerate(pairwise(points), start=2):
        if point[column] <= before[column]:
            raise ValueError(f"point {number}: {what} must rise from point to point")


def _pump_curve(value: object) -> tuple[Point, ...]:
    """At least two points at full speed, flow rising, head falling."""
    points = read_points(value, _NOT_NEGATIVE_FLOW, _NOT_NEGATIVE_HEAD, example='["6000 L/h", "3.4 m"]')
    if len(points) < _POINT:
        raise ValueError("a pump curve needs two points or more: the head at no flow and the flow at no head will do")
    check_rising(points, 0, "the flow")
    for number, (before, point) in enumerate(pairwise(points), start=2):
        if point[1] >= before[1]:
            raise ValueError(f"point {number}: the head of a pump must fall as its flow rises")
    if len(points) == _POINT and points[0][0] > 0.0:
        raise ValueError('two points are enough only if the first is the head at no flow, like ["0 L/h", "4.6 m"]')
    return points


def _power_points(value: object) -> tuple[Point, ...]:
    """One point at full speed at least, flow rising; what it draws may rise or fall."""
    points = read_points(value, _NOT_NEGATIVE_FLOW, _SOME_POWER, example='["6000 L/h", "45 W"]')
    check_rising(points, 0, "the flow")
    return points


def _loss_points(value: object) -> tuple[Point, ...]:
    """At least one point besides (0, 0), which says nothing; flow and loss rising."""
    example = '["300 L/h", "0.45 m"]'
    points = read_points(value, _NOT_NEGATIVE_FLOW, _NOT_NEGATIVE_HEAD, example=example)
    if points[0] == (0.0, 0.0):
        points = points[1:]
    if not points:
        raise ValueError(f"one point with flow is needed at least, like {example}")
    if points[0][0] <= 0.0:
        raise ValueError("point 1: at no flow nothing is lost; give the loss at a flow")
    if points[0][1] <= 0.0:
        raise ValueError("point 1: the loss at a flow must be more than 0")
    check_rising(points, 0, "the flow")
    check_rising(points, 1, "the loss")
    return points


def _k_factor(value: object) -> float:
    """Pulses per litre."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("pulses per litre is a plain number, without quotes, like 450")  # noqa: TRY004 - pydantic collects ValueErrors
    if not 0.0 < value <= 1e6:  # noqa: PLR2004 - no meter sends a pulse a microlitre
        raise ValueError(f"{quoted(value)} pulses per litre cannot be: write a number between 0 and 1,000,000")
    return float(value)


def _k_points(value: object) -> tuple[Point, ...]:
    """One K-factor for all flows, or a table of them."""
    if not isinstance(value, list):
        return ((0.0, _k_factor(value)),)
    points = read_points(value, _NOT_NEGATIVE_FLOW, _k_factor, example='["300 L/h", 448.5]')
    check_rising(points, 0, "the flow")
    return points


def _pairs_schema(second: dict[str, Any], example: list[Any]) -> dict[str, Any]:
    """A list of [flow, something] pairs."""
    flow = {"type": "string", "pattern": pattern(FLOW)}
    pair = {"type": "array", "prefixItems": [flow, second], "minItems": 2, "maxItems": 2}
    return {"type": "array", "items": pair, "minItems": 1, "examples": [example]}


_HEAD = {"type": "string", "pattern": pattern(LENGTH)}
_POWER = {"type": "string", "pattern": pattern(POWER)}
_K = {"type": "number", "exclusiveMinimum": 0, "maximum": 1e6}

PumpCurve = Annotated[
    tuple[Point, ...],
    BeforeValidator(_pump_curve),
    WithJsonSchema(_pairs_schema(_HEAD, [["0 L/h", "4.6 m"], ["11000 L/h", "0 m"]]) | {"minItems": 2}),
]
PowerPoints = Annotated[
    tuple[Point, ...],
    BeforeValidator(_power_points),
    WithJsonSchema(_pairs_schema(_POWER, [["0 L/h", "32 W"], ["9000 L/h", "55 W"]])),
]
LossPoints = Annotated[
    tuple[Point, ...],
    BeforeValidator(_loss_points),
    WithJsonSchema(_pairs_schema(_HEAD, [["150 L/h", "0.15 m"], ["300 L/h", "0.45 m"]])),
]
KPoints = Annotated[
    tuple[Point, ...],
    BeforeValidator(_k_points),
    WithJsonSchema({"anyOf": [_K, _pairs_schema(_K, [["300 L/h", 448.5], ["900 L/h", 452.0]])], "examples": [450]}),
]

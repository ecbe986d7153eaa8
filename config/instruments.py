"""Meters and gauges as the plant file writes them, and where their readings come from."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Discriminator, Field, Tag, field_validator

from config.elements import tag_of
from config.fields import HeightM, JsonPointer, KPoints, Name, Table, Topic
from config.gauge_units import POWER, POWER_UNITS, PRESSURE, PRESSURE_UNITS
from config.plant import Gauge, GaugeKind, Meter, MqttSource, MqttValue, SerialSource

_COUNTER_BITS = (16, 32)


class SerialSourceTable(Table):
    """A meter on a serial pulse counter."""

    serial: Name = Field(examples=["bench"], description="Name of a [[serial]] table.")
    channel: int = Field(ge=1, le=99, examples=[2], description="Channel of the counter, from 1.")

    def record(self) -> SerialSource:
        """The source."""
        return SerialSource(port=self.serial, channel=self.channel)


class MqttSourceTable(Table):
    """A meter on an MQTT topic."""

    mqtt: Name = Field(examples=["shed"], description="Name of an [[mqtt]] table.")
    topic: Topic = Field(examples=["rack/flow/2"], description="The topic that the counter is sent on.")
    pulses: JsonPointer = Field(default="", description="JSON Pointer to the count; empty for a plain number.")
    uptime: JsonPointer | None = Field(default=None, description="JSON Pointer to the device's uptime in seconds.")

    def record(self) -> MqttSource:
        """The source."""
        return MqttSource(broker=self.mqtt, topic=self.topic, pulses=self.pulses, uptime=self.uptime)


SOURCE_TABLES: Mapping[str, type[Table]] = MappingProxyType({"serial": SerialSourceTable, "mqtt": MqttSourceTable})


def _source_tag(value: Any) -> str | None:
    """The tag of the table that a source is read by."""
    keys = value if isinstance(value, dict) else {}
    return next((tag_of(key) for key in SOURCE_TABLES if key in keys), None)


SourceTable = Annotated[
    Annotated[SerialSourceTable, Tag("<serial>")] | Annotated[MqttSourceTable, Tag("<mqtt>")],
    Discriminator(_source_tag),
]


class MqttValueTable(Table):
    """A gauge on an MQTT topic."""

    mqtt: Name = Field(examples=["shed"], description="Name of an [[mqtt]] table.")
    topic: Topic = Field(examples=["rack/power"], description="The topic that the value is sent on.")
    value: JsonPointer = Field(default="", description="JSON Pointer to the value; empty for a plain number.")

    def record(self) -> MqttValue:
        """The source."""
        return MqttValue(broker=self.mqtt, topic=self.topic, value=self.value)


VALUE_TABLES: Mapping[str, type[Table]] = MappingProxyType({"serial": SerialSourceTable, "mqtt": MqttValueTable})
VALUE_TAGS: Mapping[str, type[Table]] = MappingProxyType(
    {tag_of(f"{key} value"): table for key, table in VALUE_TABLES.items()}
)


def _value_tag(value: Any) -> str | None:
    """The tag of the table that a gauge's source is read by."""
    keys = value if isinstance(value, dict) else {}
    return next((tag_of(f"{key} value") for key in VALUE_TABLES if key in keys), None)


ValueTable = Annotated[
    Annotated[SerialSourceTable, Tag("<serial value>")] | Annotated[MqttValueTable, Tag("<mqtt value>")],
    Discriminator(_value_tag),
]


class MeterTable(Table):
    """[[meter]]: a pulse meter."""

    name: Name = Field(examples=["M2"], description="What the meter is called.")
    k_points: KPoints = Field(alias="pulses_per_litre", description="A number, or [flow, number] points.")
    counter_bits: int = Field(default=32, json_schema_extra={"enum": list(_COUNTER_BITS)}, description="16 or 32.")
    source: SourceTable | None = Field(default=None, description="Without one, the meter is fed from log files.")

    @field_validator("counter_bits")
    @classmethod
    def check_bits(cls, bits: int) -> int:
        """Counters are 16 or 32 bits wide."""
        if bits not in _COUNTER_BITS:
            raise ValueError(f"{bits} is not the width of a counter: write 16 or 32")
        return bits

    def record(self) -> Meter:
        """The meter."""
        source = None if self.source is None else self.source.record()
        return Meter(name=self.name, k_points=self.k_points, counter_bits=self.counter_bits, source=source)


class GaugeTable(Table):
    """[[gauge]]: a pressure gauge, or what the pump draws from the mains; with its values from a source or from files."""

    model_config = ConfigDict(
        json_schema_extra={
            "oneOf": [
                {
                    "properties": {"reads": {"const": PRESSURE}, "unit": {"enum": list(PRESSURE_UNITS)}},
                    "required": ["run"],
                },
                {
                    "properties": {"reads": {"const": POWER}, "unit": {"enum": list(POWER_UNITS)}},
                    "not": {"anyOf": [{"required": ["run"]}, {"required": ["height"]}]},
                },
            ]
        }
    )

    name: Name = Field(examples=["header"], description="What the gauge is called.")
    reads: Literal["pressure", "power"] = Field(
        description="What it measures: the pressure in the water, or the power that the pump draws."
    )
    run: Name | None = Field(
        default=None, examples=["riser"], description="Pressure: the inner run at whose downstream end it reads."
    )
    height_m: HeightM = Field(
        default=0.0,
        alias="height",
        json_schema_extra={"default": "0 m"},
        description="Pressure: where the gauge itself is, above the sump's level.",
    )
    unit: Literal["Pa", "kPa", "bar", "psi", "m", "W", "kW"] = Field(
        description="The unit of its values: of a pressure against the air, m being metres of water of 9.80665 kPa; or of a power."
    )
    source: ValueTable | None = Field(default=None, description="Without one, the gauge is fed from files.")

    def record(self) -> Gauge:
        """The gauge."""
        return Gauge(
            name=self.name,
            run=self.run,
            height_m=self.height_m,
            unit=self.unit,
            reads=GaugeKind(self.reads),
            source=None if self.source is None else self.source.record(),
        )

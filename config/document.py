"""The tables of a plant file, and the records that they stand for."""

import zoneinfo
from difflib import get_close_matches
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, ConfigDict, Field, field_validator, model_validator

from config.elements import ElementTable
from config.fields import (
    FlowUnit,
    HeightM,
    Name,
    PositiveFlowM3s,
    PowerPoints,
    PumpCurve,
    SalinityGPerKg,
    SpeedShare,
    Table,
    TemperatureC,
    Text,
)
from config.instruments import GaugeTable, MeterTable
from config.plant import (
    Broker,
    Element,
    Pipe,
    Plant,
    Pump,
    Reducer,
    Run,
    SerialPort,
    Target,
    Water,
)
from config.settings import AlarmSettings, ReportSettings, Settings, StoreSettings
from config.time_service import CLOCK_SET_FILE
from config.units import quoted

MQTT_PORT = 1883  # IANA: mqtt
MQTT_TLS_PORT = 8883  # IANA: secure-mqtt
MAX_RUNS = 500  # ten large manifolds


def _time_zone(name: str) -> str:
    """A zone of the IANA database."""
    zones = zoneinfo.available_timezones()
    if name in zones:
        return name
    close = get_close_matches(name, zones, n=1)
    hint = f" (did you mean {close[0]!r}?)" if close else ""
    raise ValueError(f'{quoted(name)} is not a time zone{hint}: write one of the IANA names, like "Atlantic/Azores"')


TimeZone = Annotated[str, AfterValidator(_time_zone)]


class PlantTable(Table):
    """[plant]: what the plant is called, and how its figures are shown."""

    name: Name = Field(examples=["Lagoon rack"], description="What the plant is called.")
    flow_unit: FlowUnit = Field(default="L/h", description="The unit that flows are shown in.")
    timezone: TimeZone = Field(default="UTC", examples=["Atlantic/Azores"], description="IANA name of the time zone.")


class WaterTable(Table):
    """[water]: what is pumped."""

    temperature_c: TemperatureC = Field(
        default=25.0,
        alias="temperature",
        json_schema_extra={"default": "25 degC"},
        description="Temperature of the water.",
    )
    salinity_g_per_kg: SalinityGPerKg = Field(
        default=35.0,
        alias="salinity",
        json_schema_extra={"default": "35 g/kg"},
        description="Salinity; 0 is fresh.",
    )

    def record(self) -> Water:
        """The water."""
        return Water(temperature_c=self.temperature_c, salinity_g_per_kg=self.salinity_g_per_kg)


class PumpTable(Table):
    """[pump]: the return pump."""

    curve: PumpCurve = Field(description="[flow, head] points at 100 % speed, from no flow on.")
    speed: SpeedShare = Field(
        default=1.0, json_schema_extra={"default": "100 %"}, description="The speed that the pump runs at."
    )
    check_valve: bool = Field(default=False, description="Whether a check valve at the pump stops back-flow.")
    power: PowerPoints = Field(
        default=(),
        json_schema_extra={"default": []},
        description="[flow, power drawn from the mains] points at 100 % speed, for a gauge of its power.",
    )

    def record(self) -> Pump:
        """The pump."""
        return Pump(curve=self.curve, speed=self.speed, check_valve=self.check_valve, power=self.power)


class TargetTable(Table):
    """The flow that a branch should get."""

    model_config = ConfigDict(json_schema_extra={"minProperties": 1})

    low_m3s: PositiveFlowM3s | None = Field(default=None, alias="low", description="Least flow.")
    high_m3s: PositiveFlowM3s | None = Field(default=None, alias="high", description="Greatest flow.")

    @model_validator(mode="after")
    def check(self) -> Self:
        """Bounds in order, one at least."""
        if self.low_m3s is None and self.high_m3s is None:
            raise ValueError("a target has `low`, `high` or both")
        if self.low_m3s is not None and self.high_m3s is not None and self.low_m3s > self.high_m3s:
            raise ValueError("`low` is more than `high`: exchange them")
        return self

    def record(self) -> Target:
        """The target."""
        return Target(low_m3s=self.low_m3s, high_m3s=self.high_m3s)


class RunTable(Table):
    """[[run]]: a run of the tree."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["to"]}, {"required": ["outlet"]}]})

    name: Name = Field(examples=["carbon"], description="What the run is called.")
    start: Name = Field(alias="from", examples=["tee 1"], description='"pump", or the node where another run ends.')
    end: Name | None = Field(default=None, alias="to", examples=["tee 1"], description="Inner run: node it ends at.")
    outlet_m: HeightM | None = Field(
        default=None,
        alias="outlet",
        description="Branch: surface or lip that it discharges at, above the sump's level.",
    )
    submerged: bool = Field(default=False, description="The outlet lies under water, so that water can run backward.")
    path: list[ElementTable] = Field(
        min_length=1,
        examples=[[{"pipe": "1 in sch 40", "length": "30 cm"}, {"elbow": "90", "count": 2}]],
        description="What the water meets, in its order.",
    )
    media: Name | None = Field(default=None, description="What can clog in this branch; without it, nothing can.")
    target: TargetTable | None = Field(default=None, description="The flow that this branch should get.")
    meter: Name | None = Field(default=None, description="Name of the meter on this run.")

    @field_validator("path")
    @classmethod
    def check_bores(cls, path: list[ElementTable]) -> list[ElementTable]:
        """A reducer stands between two bores."""
        elements = tuple(table.record() for table in path)
        for place, element in enumerate(elements):
            if isinstance(element, Reducer) and not _bore_changes(elements, place):
                raise ValueError(
                    f"the reducer at place {place + 1} has no change of bore after it: write the pipe of the other "
                    "size behind it, or take the reducer out"
                )
        return path

    def record(self) -> Run:
        """The run."""
        return Run(
            name=self.name,
            start=self.start,
            end=self.end,
            outlet_m=self.outlet_m,
            submerged=self.submerged,
            path=tuple(table.record() for table in self.path),
            media=self.media,
            target=None if self.target is None else self.target.record(),
            meter=self.meter,
        )


def _bore_changes(path: tuple[Element, ...], place: int) -> bool:
    """Whether the pipe before a place and the pipe after it differ in bore."""
    before = [element.bore_m for element in path[:place] if isinstance(element, Pipe)]
    after = [element.bore_m for element in path[place:] if isinstance(element, Pipe)]
    return bool(before and after and before[-1] != after[0])


class SerialTable(Table):
    """[[serial]]: a serial port with a pulse counter."""

    name: Name = Field(examples=["bench"], description="What the port is called.")
    port: Text = Field(examples=["/dev/serial/by-id/..."], description="Path of the port; by-id survives replugging.")
    baud: int = Field(default=38400, ge=300, le=4_000_000, description="Baud rate of the counter.")

    def record(self) -> SerialPort:
        """The port."""
        return SerialPort(name=self.name, port=self.port, baud=self.baud)


class MqttTable(Table):
    """[[mqtt]]: a broker. Secrets are named, never held."""

    name: Name = Field(examples=["shed"], description="What the broker is called.")
    host: Text = Field(examples=["broker.lan"], description="Name or address of the broker.")
    port: int | None = Field(default=None, ge=1, le=65535, description="1883, or 8883 with TLS, unless said.")
    tls: bool = Field(default=False, description="Whether the connection is encrypted.")
    ca_file: Text | None = Field(default=None, description="Certificates to trust, for a broker with its own.")
    user: Text | None = Field(default=None, description="User name.")
    password_file: Text | None = Field(default=None, description="File that holds the password.")
    password_credential: Text | None = Field(default=None, description="Name of the systemd credential.")

    @model_validator(mode="after")
    def check(self) -> Self:
        """A password needs a user and has one place; certificates need TLS."""
        if self.password_file is not None and self.password_credential is not None:
            raise ValueError("write `password_file` or `password_credential`, not both")
        if self.user is None and (self.password_file is not None or self.password_credential is not None):
            raise ValueError("a password without `user`: write the user name too")
        if self.ca_file is not None and not self.tls:
            raise ValueError("`ca_file` without TLS does nothing: write tls = true, or take it out")
        return self

    def record(self) -> Broker:
        """The broker."""
        return Broker(
            name=self.name,
            host=self.host,
            port=self.port or (MQTT_TLS_PORT if self.tls else MQTT_PORT),
            tls=self.tls,
            ca_file=self.ca_file,
            user=self.user,
            password_file=self.password_file,
            password_credential=self.password_credential,
        )


class AlarmsTable(Table):
    """[alarms]: when a finding is raised."""

    false_alarms_per_branch_year: float = Field(
        default=0.1, gt=0, le=100, description="False alarms that are accepted on a healthy plant."
    )


class StoreTable(Table):
    """[store]: what the database keeps."""

    minutes_kept_days: int = Field(default=400, ge=1, le=36_500, description="Days that minute rows are kept.")
    quarantine_kept_lines: int = Field(default=10_000, ge=0, le=10_000_000, description="Bad lines that are kept.")
    clock_set_file: Text = Field(default=CLOCK_SET_FILE, description="A file that is there once the clock is set.")
    backup_folder: Text = Field(default="backups", description="Where copies go, from the plant file's folder on.")
    backups_kept: int = Field(default=7, ge=1, le=1_000, description="Copies of the database that are kept.")


class ReportTable(Table):
    """[report]: what the report looks back on."""

    trend_days: int = Field(default=28, ge=1, le=3_660, description="Days that a trend shows.")
    weekly_on: Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"] = Field(
        default="mon", description="Day of the week on which a running collector writes the report of the week before."
    )


class NotifyTable(Table):
    """[notify]: no keys yet."""


class PageTable(Table):
    """[page]: no keys yet."""


class Document(Table):
    """A plant file."""

    plant: PlantTable
    water: WaterTable = WaterTable()
    pump: PumpTable
    run: list[RunTable] = Field(min_length=1, max_length=MAX_RUNS)
    meter: list[MeterTable] = Field(default_factory=list)
    gauge: list[GaugeTable] = Field(default_factory=list)
    serial: list[SerialTable] = Field(default_factory=list)
    mqtt: list[MqttTable] = Field(default_factory=list)
    alarms: AlarmsTable = AlarmsTable()
    store: StoreTable = StoreTable()
    report: ReportTable = ReportTable()
    notify: NotifyTable = NotifyTable()
    page: PageTable = PageTable()

    def plant_record(self) -> Plant:
        """The plant."""
        return Plant(
            name=self.plant.name,
            flow_unit=self.plant.flow_unit,
            timezone=self.plant.timezone,
            water=self.water.record(),
            pump=self.pump.record(),
            runs=tuple(table.record() for table in self.run),
            meters=tuple(table.record() for table in self.meter),
            serial_ports=tuple(table.record() for table in self.serial),
            brokers=tuple(table.record() for table in self.mqtt),
            gauges=tuple(table.record() for table in self.gauge),
        )

    def settings_record(self) -> Settings:
        """How the plant is watched."""
        return Settings(
            alarms=AlarmSettings(false_alarms_per_branch_year=self.alarms.false_alarms_per_branch_year),
            store=StoreSettings(
                minutes_kept_days=self.store.minutes_kept_days,
                quarantine_kept_lines=self.store.quarantine_kept_lines,
                clock_set_file=self.store.clock_set_file,
                backup_folder=self.store.backup_folder,
                backups_kept=self.store.backups_kept,
            ),
            report=ReportSettings(trend_days=self.report.trend_days, weekly_on=self.report.weekly_on),
        )

"""The plant as it was built: frozen records, SI units throughout (m, m3/s, degC and g/kg for water).

A manifold is a tree of runs from the pump outward. An inner run ends at a node, an outer run (a branch) at an
outlet. The order of a run's path is the order in which the water meets its elements; the bore in force is that
of the last pipe met (or of the first one to come, before any).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from config.gauge_units import POWER, PRESSURE

PUMP_NODE = "pump"


class FittingKind(StrEnum):
    """Fittings that cost a minor loss K on the bore in force."""

    ENTRANCE_SHARP = "entrance, sharp"
    ENTRANCE_ROUNDED = "entrance, rounded"
    ENTRANCE_PROJECTING = "entrance, projecting"
    ELBOW_90 = "90 elbow"
    ELBOW_90_LONG = "90 long sweep"
    ELBOW_45 = "45 elbow"
    TEE_RUN = "tee, run"
    TEE_BRANCH = "tee, branch"
    UNION = "union"
    COUPLING = "coupling"
    EXIT = "exit"


class ValveKind(StrEnum):
    """Valves that are set by hand."""

    BALL = "ball valve"
    GATE = "gate valve"


class CheckValveKind(StrEnum):
    """Valves that let water pass one way only."""

    SWING = "swing check valve"
    LIFT = "lift check valve"
    BALL = "ball check valve"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pipe:
    """A length of pipe or hose; sets the bore in force.

    `nominal_in` is the nominal pipe size in inches, where the plant file named one.
    """

    label: str
    bore_m: float
    length_m: float
    roughness_m: float
    nominal_in: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """`count` fittings of one kind."""

    kind: FittingKind
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Valve:
    """A hand valve.

    `closed_deg` is the handle's turn from fully open (0) to shut (90); a gate valve counts its travel the same way.
    """

    kind: ValveKind
    closed_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckValve:
    """A check valve: its run passes water outward only."""

    kind: CheckValveKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Barb:
    """A hose barb; `bore_m` is the hole through it, which is what counts."""

    bore_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Reducer:
    """How the next change of bore is made; without one it is sudden."""

    gradual: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedK:
    """A minor loss K on the bore in force."""

    k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A reactor, steriliser or filter by its measured loss: (flow m3/s, head loss m) points, flow rising.

    h = a Q + b Q^2: one point fixes b, two fix both, more are fitted (a, b >= 0).
    """

    name: str
    loss: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MediaBed:
    """A bed of grains by its dimensions (Ergun); `grain_m` is the effective grain diameter, `porosity` 0..1."""

    name: str
    bore_m: float
    depth_m: float
    grain_m: float
    porosity: float


Element = Pipe | Fitting | Valve | CheckValve | Barb | Reducer | FixedK | Device | MediaBed


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """What is pumped."""

    temperature_c: float = 25.0
    salinity_g_per_kg: float = 35.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pump:
    """The pump: (flow m3/s, head m) points at full speed, flow rising and head falling; `speed` is a fraction.

    Without a check valve a stopped pump lets water drain back through it. `power` is (flow m3/s, W drawn from the mains)
    points at full speed, flow rising; empty where the keeper has none.
    """

    curve: tuple[tuple[float, float], ...]
    speed: float = 1.0
    check_valve: bool = False
    power: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """The flow that a branch should get, m3/s; either bound may be missing."""

    low_m3s: float | None = None
    high_m3s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A run of the tree.

    Attributes:
        start: "pump" or the node where another run ends.
        end: the node where an inner run ends; None for a branch.
        outlet_m: height of the surface or lip a branch discharges at, above the sump's level; None inside.
        submerged: the outlet lies under that surface, so that water can run backward into the manifold.
        media: what can clog in this branch; None if nothing can.
        meter: name of the meter on this run.
    """

    name: str
    start: str
    end: str | None = None
    outlet_m: float | None = None
    submerged: bool = False
    path: tuple[Element, ...]
    media: str | None = None
    target: Target | None = None
    meter: str | None = None

    @property
    def is_branch(self) -> bool:
        """Whether the run ends at an outlet."""
        return self.end is None


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialSource:
    """A meter on a channel of a serial pulse counter, or a gauge on a channel of a serial device that sends values."""

    port: str
    channel: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSource:
    """A meter on an MQTT topic; JSON Pointers (RFC 6901) to the count and the uptime, "" for a plain number."""

    broker: str
    topic: str
    pulses: str = ""
    uptime: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter:
    """A pulse meter.

    Attributes:
        k_points: (flow m3/s, pulses per litre), flow rising; one point with flow 0 for a constant K-factor.
        counter_bits: width of the device's counter, 16 or 32.
        source: where readings come from; None for a meter that is fed from log files only.
    """

    name: str
    k_points: tuple[tuple[float, float], ...]
    counter_bits: int = 32
    source: SerialSource | MqttSource | None = None


class GaugeKind(StrEnum):
    """What a gauge measures: the pressure at a node, Pa against the air, or the power that the pump draws, W."""

    PRESSURE = PRESSURE
    POWER = POWER


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttValue:
    """A gauge on an MQTT topic; a JSON Pointer (RFC 6901) to the value, "" for a plain number."""

    broker: str
    topic: str
    value: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """A gauge.

    Attributes:
        run: of a pressure, the inner run at whose downstream end it reads; None for a power.
        height_m: of a pressure gauge above the sump's level.
        unit: that its values come in, one of UNITS_OF what it reads.
        reads: what it measures.
        source: where its values come from; None for a gauge that is fed from files only.
    """

    name: str
    run: str | None
    height_m: float
    unit: str
    reads: GaugeKind = GaugeKind.PRESSURE
    source: SerialSource | MqttValue | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialPort:
    """A serial port with a pulse counter."""

    name: str
    port: str
    baud: int = 38400


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """An MQTT broker. Secrets are named, never held: a file, or a systemd credential of that name."""

    name: str
    host: str
    port: int = 1883
    tls: bool = False
    ca_file: str | None = None
    user: str | None = None
    password_file: str | None = None
    password_credential: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """The whole plant."""

    name: str
    flow_unit: str = "L/h"
    timezone: str = "UTC"
    water: Water
    pump: Pump
    runs: tuple[Run, ...]
    meters: tuple[Meter, ...] = ()
    serial_ports: tuple[SerialPort, ...] = ()
    brokers: tuple[Broker, ...] = ()
    gauges: tuple[Gauge, ...] = ()

    @property
    def branches(self) -> tuple[Run, ...]:
        """The runs that end at an outlet, in file order."""
        return tuple(run for run in self.runs if run.is_branch)

    def run_of_meter(self, meter: str) -> Run | None:
        """The run that the meter sits on; None for a meter without a run."""
        return next((run for run in self.runs if run.meter == meter), None)

    @property
    def gauge_kinds(self) -> Mapping[str, GaugeKind]:
        """What each gauge reads, by its name."""
        return {gauge.name: gauge.reads for gauge in self.gauges}

    @property
    def gauge_names(self) -> tuple[str, ...]:
        """What the gauges are called, in file order."""
        return tuple(gauge.name for gauge in self.gauges)

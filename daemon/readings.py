"""What sources hand to the writer: readings, rejected input, and changes of state."""

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A cumulative count as a device sent it.

    Attributes:
        count: pulses since the device started, modulo its counter's width.
        uptime_ms: milliseconds since the device started; None if it does not say.
        arrival_ms: when it got here, on the monotonic clock.
        edges: edges that the device threw away since it started; None if it does not say.
        again: the broker marked the message as sent before, so that it may be one already read.
    """

    meter: str
    count: int
    uptime_ms: int | None
    arrival_ms: int
    edges: int | None = None
    again: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeValue:
    """What a gauge showed, in its unit; `arrival_ms` on the monotonic clock, `again` as of a reading."""

    gauge: str
    value: float
    arrival_ms: int
    again: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """One good line or message, with what it says of meters and gauges (nothing if nobody asked for it)."""

    source: str
    readings: tuple[Reading, ...]
    values: tuple[GaugeValue, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejected:
    """One line or message that could not be used, cut to LINE_KEPT characters."""

    source: str
    reason: str
    line: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChange:
    """A source came up or went down; `words` say why, for people."""

    source: str
    up: bool
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Dated:
    """A reading with its place in time.

    Attributes:
        at_ms: UTC epoch milliseconds; the monotonic clock's while the time is not known.
        steady_ms: milliseconds on a clock that only runs forward while `restarted` is False: the device's uptime, or
            the monotonic clock at arrival for a device that does not say. Rates come from this one.
        restarted: the device is known to have started anew since the reading before.
    """

    meter: str
    count: int
    at_ms: int
    steady_ms: int
    restarted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LastReading:
    """The last reading of a meter that an earlier run of the collector stored.

    Attributes:
        at_ms: when it was taken, UTC epoch ms; provisional unless `dated`.
        boot, steady_ms: the same on the monotonic clock of that boot; empty and None in databases of before.
    """

    count: int
    uptime_ms: int
    at_ms: int
    boot: str = ""
    steady_ms: int | None = None
    dated: bool = True


@dataclass(slots=True, kw_only=True)
class Batch:
    """What one emptying of the inbox brought, sorted by kind."""

    arrivals: list[Arrival] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    changes: list[StateChange] = field(default_factory=list)


LINE_KEPT = 200


def shown(line: bytes) -> str:
    """Any bytes as printable text, cut to what quarantine keeps."""
    text = line[:LINE_KEPT].decode("ascii", "backslashreplace")
    return "".join(mark if mark.isprintable() else f"\\x{ord(mark):02x}" for mark in text)[:LINE_KEPT]

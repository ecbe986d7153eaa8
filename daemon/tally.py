"""What the collector tells of itself and its sources; kept as JSON in the table `source_state` for `clearbore status`.

    name            body
    collector       pid, started_ms, stopped_ms (null while it runs), lost, write_failures, rows_dropped, clock: {boot, known, told,
                    ahead_ms, stepped_ms, newest_ms, newest_dated_ms}
    serial:NAME     where, up, words, since_ms, good, meters: {METER: {count, uptime_ms, at_ms, boot, steady_ms, dated,
                    edges, restarts, doubled}}
    mqtt:NAME       the same

They are written when there is news in them, and every ten minutes (daemon.state_news); what they say of the newest
readings may be older than the newest rows by as much. `good` counts lines or messages since the collector started;
rejected ones are in the table `rejected`. A meter's null, zero restarts, zero doubled and true `dated` are left out.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from daemon.readings import Arrival, Dated, GaugeValue, LastReading, StateChange


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockNote:
    """What readings are dated by.

    Attributes:
        known: the clock is set; otherwise readings carry the monotonic clock instead of UTC.
        dating_ms: what was added to the monotonic clock to date them: 0 while the clock is not known.
        wall_ms: what must be added to their dates for UTC as far as it is known.
    """

    boot: str
    known: bool
    dating_ms: int
    wall_ms: int


@dataclass(slots=True, kw_only=True)
class MeterTally:
    """The last reading of a meter and what was noticed on the way.

    Attributes:
        at_ms: when it was taken, UTC epoch ms; provisional unless `dated`.
        boot, steady_ms: the same on the monotonic clock of that boot.
    """

    count: int | None = None
    uptime_ms: int | None = None
    at_ms: int | None = None
    boot: str = ""
    steady_ms: int | None = None
    dated: bool = True
    edges: int | None = None
    restarts: int = 0
    doubled: int = 0


@dataclass(slots=True, kw_only=True)
class GaugeTally:
    """The last value of a gauge, in its unit, when it came (UTC epoch ms, as dated then), and how many one stood for."""

    value: float | None = None
    at_ms: int | None = None
    passed_over: int = 0


_UNSAID = asdict(MeterTally())


@dataclass(slots=True, kw_only=True)
class SourceTally:
    """How a source does."""

    where: str
    up: bool = False
    words: str = "not tried yet"
    since_ms: int = 0
    good: int = 0
    meters: dict[str, MeterTally] = field(default_factory=dict)
    gauges: dict[str, GaugeTally] = field(default_factory=dict)

    def change(self, change: StateChange, *, now_ms: int) -> None:
        """Note a new state."""
        self.up, self.words, self.since_ms = change.up, change.words, now_ms

    def arrive(self, arrival: Arrival) -> None:
        """Note a good line or message."""
        self.good += 1
        for reading in arrival.readings:
            if reading.edges is not None:
                self.meters[reading.meter].edges = reading.edges

    def date(self, dated: Dated, clock: ClockNote, *, uptime_told: bool) -> None:
        """Note a dated reading."""
        meter = self.meters[dated.meter]
        meter.count, meter.at_ms = dated.count, dated.at_ms + clock.wall_ms
        meter.boot, meter.steady_ms, meter.dated = clock.boot, dated.at_ms - clock.dating_ms, clock.known
        meter.uptime_ms = dated.steady_ms if uptime_told else None
        meter.restarts += dated.restarted

    def show(self, value: GaugeValue, clock: ClockNote, *, counted: bool) -> None:
        """Note a value of a gauge; one that is not `counted` stands for another."""
        gauge = self.gauges.setdefault(value.gauge, GaugeTally())
        gauge.value, gauge.at_ms = value.value, value.arrival_ms + clock.dating_ms + clock.wall_ms
        gauge.passed_over += not counted

    def body(self) -> dict[str, Any]:
        """As stored; what a meter has nothing to say of is left out, as each page that this takes is written again and again."""
        told = asdict(self) | {"meters": {name: _said(meter) for name, meter in self.meters.items()}}
        if not self.gauges:
            del told["gauges"]
        return told


def _said(meter: MeterTally) -> dict[str, Any]:
    """The fields of a meter that are not as they begin."""
    return {name: value for name, value in asdict(meter).items() if value != _UNSAID[name]}


def last_readings(body: Mapping[str, Any]) -> dict[str, LastReading]:
    """The last readings in a stored body, of the meters that tell their uptime; a body of another form gives none."""
    found: dict[str, LastReading] = {}
    meters = body.get("meters")
    for name, meter in meters.items() if isinstance(meters, dict) else ():
        told = [meter.get(key) for key in ("count", "uptime_ms", "at_ms")] if isinstance(meter, dict) else []
        numbers = [number for number in told if isinstance(number, int)]
        if told and len(numbers) == len(told):
            found[name] = LastReading(
                count=numbers[0],
                uptime_ms=numbers[1],
                at_ms=numbers[2],
                boot=meter.get("boot", ""),
                steady_ms=meter.get("steady_ms"),
                dated=meter.get("dated", True),
            )
    return found

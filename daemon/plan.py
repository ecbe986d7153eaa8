"""What the collecting process is told: resolved settings, as JSON, free of everything heavy."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from config.time_service import CLOCK_SET_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugePlan:
    """A gauge, and what it can show, in its unit."""

    gauge: str
    least: float
    most: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeChannelPlan(GaugePlan):
    """A gauge on a channel of a port."""

    channel: int


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeFeedPlan(GaugePlan):
    """A gauge on a topic, with a JSON Pointer as in the plant file."""

    topic: str
    value: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PortPlan:
    """A serial port; `channels` are (channel, meter), `gauges` the gauges on its channels of values."""

    name: str
    port: str
    baud: int
    channels: tuple[tuple[int, str], ...]
    gauges: tuple[GaugeChannelPlan, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedPlan:
    """A meter on a topic, with JSON Pointers as in the plant file."""

    topic: str
    meter: str
    bits: int
    pulses: str = ""
    uptime: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerPlan:
    """An MQTT broker; `client_id` stays the same from start to start, so that the broker keeps what we missed."""

    name: str
    host: str
    port: int
    client_id: str
    feeds: tuple[FeedPlan, ...]
    tls: bool = False
    ca_file: str | None = None
    user: str | None = None
    password_file: str | None = None
    password_credential: str | None = None
    gauges: tuple[GaugeFeedPlan, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class JobsPlan:
    """What is done beside the collecting.

    Attributes:
        names: of the jobs (daemon.jobs.names), most urgent first.
        times: when they are due, by name, as far as it was worked out (daemon.jobs.calendar), UTC epoch seconds.
    """

    plant_file: str
    names: tuple[str, ...]
    timezone: str
    weekly_on: str
    times: Mapping[str, tuple[int, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class CollectPlan:
    """Everything to collect.

    Attributes:
        bits: counter width by meter, of the meters that have a source.
        gauges: names of the gauges that have a source.
        seconds: stop after so long; None runs until stopped.
        jobs: None for collecting alone.
        clock_set_file: exists once the clock is set.
    """

    plant: str
    db: str
    bits: Mapping[str, int]
    gauges: tuple[str, ...] = ()
    ports: tuple[PortPlan, ...] = ()
    brokers: tuple[BrokerPlan, ...] = ()
    quarantine_kept_lines: int = 10_000
    seconds: float | None = None
    jobs: JobsPlan | None = None
    clock_set_file: str = CLOCK_SET_FILE


def to_json(plan: CollectPlan) -> str:
    """The plan as JSON text."""
    return json.dumps(asdict(plan))


def from_json(text: str) -> CollectPlan:
    """The plan that `to_json` wrote."""
    body: dict[str, Any] = json.loads(text)
    ports = tuple(
        PortPlan(
            **{
                **port,
                "channels": tuple((channel, meter) for channel, meter in port["channels"]),
                "gauges": tuple(GaugeChannelPlan(**gauge) for gauge in port["gauges"]),
            }
        )
        for port in body.pop("ports")
    )
    brokers = tuple(
        BrokerPlan(
            **{
                **broker,
                "feeds": tuple(FeedPlan(**feed) for feed in broker["feeds"]),
                "gauges": tuple(GaugeFeedPlan(**feed) for feed in broker["gauges"]),
            }
        )
        for broker in body.pop("brokers")
    )
    jobs = body.pop("jobs")
    if jobs is not None:
        times = {name: tuple(times) for name, times in jobs["times"].items()}
        jobs = JobsPlan(**{**jobs, "names": tuple(jobs["names"]), "times": times})
    body["gauges"] = tuple(body["gauges"])
    return CollectPlan(ports=ports, brokers=brokers, jobs=jobs, **body)

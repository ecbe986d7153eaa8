"""An MQTT source under test, and a device that publishes to it."""

import contextlib
import json
from collections.abc import Iterator

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from daemon.inbox import Inbox
from daemon.plan import BrokerPlan, FeedPlan, GaugeFeedPlan
from daemon.sources.mqtt_topic import MqttSource
from tests.support.source_hearing import Hearing

FEEDS = (
    FeedPlan(topic="rack/1", meter="M1", bits=32, pulses="/pulses", uptime="/uptime_s"),
    FeedPlan(topic="rack/2", meter="M2", bits=16),
)
GAUGES = (
    GaugeFeedPlan(gauge="mains", topic="rack/1", value="/W", least=0.0, most=10_000.0),
    GaugeFeedPlan(gauge="header", topic="rack/header", least=-101.325, most=2000.0),
)
STATUS = "clearbore/clearbore-test/status"


def broker_plan(port: int, **changes: object) -> BrokerPlan:
    """A plan for a loopback broker."""
    settings: dict[str, object] = {
        "name": "shed",
        "host": "127.0.0.1",
        "port": port,
        "client_id": "clearbore-test",
        "feeds": FEEDS,
    }
    return BrokerPlan(**(settings | changes))  # type: ignore[arg-type]  # settings by name, changed by name


class Listener(Hearing):
    """A running source with all that it has brought so far."""

    def __init__(self, plan: BrokerPlan, inbox: Inbox) -> None:
        super().__init__(inbox)
        self.source = MqttSource(plan, inbox)

    def listens(self) -> bool:
        """Whether it is connected, and the broker sends it what is published from now on."""
        return self.says("connected")


@contextlib.contextmanager
def listening(plan: BrokerPlan, inbox: Inbox | None = None) -> Iterator[Listener]:
    """Start a source, and stop it at the end."""
    listener = Listener(plan, inbox or Inbox())
    listener.source.start()
    try:
        yield listener
    finally:
        listener.source.ask_to_stop()
        assert listener.source.join(15)


@contextlib.contextmanager
def talking(port: int) -> Iterator[mqtt.Client]:
    """A device that publishes."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def tell(client: mqtt.Client, topic: str, message: bytes, *, retain: bool = False) -> None:
    """Publish and wait until the broker has it."""
    client.publish(topic, message, qos=1, retain=retain).wait_for_publish(10)


def pulses(count: int) -> bytes:
    """A message as M1 sends it."""
    return json.dumps({"pulses": count, "uptime_s": count / 10}).encode()

"""An MQTT topic through a real broker: bad messages, absence, restart, refusal, the will."""

import contextlib
import json
import socket
import threading
from collections.abc import Iterator

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from daemon.inbox import Inbox
from daemon.plan import BrokerPlan, FeedPlan
from daemon.readings import Reading
from daemon.sources.mqtt_topic import MqttSource
from tests.support.mosquitto import Mosquitto, free_port
from tests.support.waiting import wait_until

FEEDS = (
    FeedPlan(topic="rack/1", meter="M1", bits=32, pulses="/pulses", uptime="/uptime_s"),
    FeedPlan(topic="rack/2", meter="M2", bits=16),
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


class Listener:
    """A running source with all that it has brought so far."""

    def __init__(self, plan: BrokerPlan) -> None:
        self._inbox = Inbox()
        self.source = MqttSource(plan, self._inbox)
        self.readings: list[Reading] = []
        self.rejected: list[tuple[str, str]] = []
        self.states: list[tuple[bool, str]] = []

    def gather(self) -> None:
        """Take in what has come."""
        batch = self._inbox.empty()
        self.readings += [reading for arrival in batch.arrivals for reading in arrival.readings]
        self.rejected += [(item.reason, item.line) for item in batch.rejected]
        self.states += [(change.up, change.words) for change in batch.changes]

    def counts(self, meter: str = "M1") -> list[int]:
        """Counts of a meter so far."""
        self.gather()
        return [reading.count for reading in self.readings if reading.meter == meter]

    def says(self, words: str) -> bool:
        """Whether the last state holds these words."""
        self.gather()
        return bool(self.states) and words in self.states[-1][1]


@contextlib.contextmanager
def listening(plan: BrokerPlan) -> Iterator[Listener]:
    """Start a source, and stop it at the end."""
    listener = Listener(plan)
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


def retained(port: int, topic: str) -> bytes:
    """What the broker holds for newcomers to a topic."""
    got: list[bytes] = []
    arrived = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2)

    def keep(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        got.append(bytes(message.payload))
        arrived.set()

    client.on_message = keep
    client.connect("127.0.0.1", port)
    client.subscribe(topic, qos=1)
    client.loop_start()
    arrived.wait(5)
    client.disconnect()
    client.loop_stop()
    return got[-1] if got else b""


def test_messages_become_readings(broker: Mosquitto) -> None:
    """JSON with count and uptime, and a plain number, each by its topic."""
    with listening(broker_plan(broker.port)) as listener, talking(broker.port) as device:
        wait_until(lambda: listener.says("connected"))
        tell(device, "rack/1", pulses(120))
        tell(device, "rack/2", b"77")
        wait_until(lambda: bool(listener.counts("M1") and listener.counts("M2")))

    assert [(item.count, item.uptime_ms) for item in listener.readings] == [(120, 12_000), (77, None)]


def test_bad_messages_are_rejected_and_never_come_again(broker: Mosquitto) -> None:
    """Each bad message is counted with its reason; the next good one is read, and a new start brings none back."""
    plan = broker_plan(broker.port)
    with listening(plan) as listener, talking(broker.port) as device:
        wait_until(lambda: listener.says("connected"))
        for message in (b"\xff\xfe", b"{", b'{"pulses": -4, "uptime_s": 1}', b'{"pulses": 4}', b""):
            tell(device, "rack/1", message)
        tell(device, "rack/2", b"65536")
        tell(device, "rack/1", pulses(5))
        wait_until(lambda: listener.counts() == [5])
    with listening(plan) as again:
        wait_until(lambda: again.says("connected"))

    assert [reason for reason, _ in listener.rejected] == [
        "not UTF-8 text",
        "neither a whole number nor JSON",
        "negative count at /pulses",
        "nothing at /uptime_s",
        "empty message",
        "count beyond the 16 bits of this meter",
    ]
    assert listener.rejected[0][1] == r"rack/1: \xff\xfe"
    again.gather()
    assert (again.rejected, again.readings) == ([], [])


def test_messages_sent_while_away_arrive(broker: Mosquitto) -> None:
    """The broker keeps the session of a collector that is away, and hands out what was sent meanwhile."""
    plan = broker_plan(broker.port)
    with listening(plan) as listener:
        wait_until(lambda: listener.says("connected"))
    with talking(broker.port) as device:
        for count in range(1, 301):
            tell(device, "rack/1", pulses(count))
    with listening(plan) as again:
        wait_until(lambda: len(again.counts()) == 300)

    assert again.counts() == list(range(1, 301))


def test_broker_restarts(broker: Mosquitto) -> None:
    """A broker that goes and comes back is told in words and taken up again."""
    with listening(broker_plan(broker.port)) as listener:
        wait_until(lambda: listener.says("connected"))
        broker.stop()
        wait_until(lambda: listener.says("refused") or listener.says("lost") or listener.says("shutting"))
        broker.start()
        wait_until(lambda: listener.says("connected"), timeout_s=20)
        with talking(broker.port) as device:
            tell(device, "rack/1", pulses(9))
        wait_until(lambda: listener.counts() == [9])


def test_broker_that_hangs(broker: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    """A broker that no longer answers is noticed by the keepalive, and taken up again when it answers."""
    monkeypatch.setattr("daemon.sources.mqtt_topic.KEEPALIVE_S", 2)
    monkeypatch.setattr("daemon.sources.mqtt_topic.ANSWER_S", 1.0)
    with listening(broker_plan(broker.port)) as listener:
        wait_until(lambda: listener.says("connected"))
        broker.freeze()
        wait_until(lambda: listener.says("no answer"), timeout_s=20)
        broker.thaw()
        wait_until(lambda: listener.says("connected"), timeout_s=20)

    assert [words for _, words in listener.states][:2] == ["connected", "connection lost"]


def test_retained_messages_are_no_fresh_readings(broker: Mosquitto) -> None:
    """A retained message is of unknown age and does not become a reading."""
    with talking(broker.port) as device:
        tell(device, "rack/1", pulses(3), retain=True)
        with listening(broker_plan(broker.port)) as listener:
            wait_until(lambda: listener.says("connected"))
            tell(device, "rack/1", pulses(4))
            wait_until(lambda: 4 in listener.counts())

    assert listener.counts() == [4]


def test_online_and_offline_are_told(broker: Mosquitto) -> None:
    """The status topic says online while we run and offline after a clean end, for which no will is sent."""
    with listening(broker_plan(broker.port)) as listener:
        wait_until(lambda: listener.says("connected"))
        wait_until(lambda: retained(broker.port, STATUS) == b"online")

    assert retained(broker.port, STATUS) == b"offline"


def test_nobody_at_the_port() -> None:
    """A port without a broker is told in words, once."""
    with listening(broker_plan(free_port())) as listener:
        wait_until(lambda: listener.says("connection refused: is the broker running"))

    assert len(listener.states) == 1


def test_host_name_that_does_not_exist() -> None:
    """A host name that cannot be resolved is told as such (RFC 6761: .invalid never resolves)."""
    with listening(broker_plan(1883, host="broker.invalid")) as listener:
        wait_until(lambda: listener.says("host name not found"), timeout_s=20)


def test_something_that_is_no_broker() -> None:
    """A port where something else answers is told as unusable, and does not end the source."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10)
        with listening(broker_plan(server.getsockname()[1])) as listener:
            visitor, _ = server.accept()
            with visitor:
                visitor.sendall(b"220 not a broker\r\n")
            wait_until(lambda: listener.says("closed at once"))
            assert listener.source.alive

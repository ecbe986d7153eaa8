"""An MQTT topic through a real broker: bad messages, absence, restart, refusal, the will."""

import itertools
import pathlib
import signal
import socket
import subprocess
import sys
import threading

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.support.mosquitto import Mosquitto, free_port, needs_mosquitto
from tests.support.topic_listening import GAUGES, STATUS, broker_plan, listening, pulses, talking, tell
from tests.support.waiting import wait_until

pytestmark = pytest.mark.usefixtures("short_broker_waits")


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
        wait_until(listener.listens)
        tell(device, "rack/1", pulses(120))
        tell(device, "rack/2", b"77")
        wait_until(lambda: bool(listener.counts("M1") and listener.counts("M2")))

    assert [(item.count, item.uptime_ms) for item in listener.readings] == [(120, 12_000), (77, None)]


def test_bad_messages_are_rejected_and_never_come_again(broker: Mosquitto) -> None:
    """Each bad message is counted with its reason; the next good one is read, and a new start brings none back."""
    plan = broker_plan(broker.port)
    with listening(plan) as listener, talking(broker.port) as device:
        wait_until(listener.listens)
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
        wait_until(listener.listens)
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


@needs_mosquitto
def test_broker_is_killed(tmp_path: pathlib.Path) -> None:
    """A broker that dies at once and comes back is taken up again; messages that it had saved for us still come."""
    with Mosquitto(tmp_path, {"autosave_interval": "1"}) as broker:
        plan = broker_plan(broker.port)
        with listening(plan) as listener:
            wait_until(lambda: listener.says("connected"))
            broker.kill()
            wait_until(lambda: listener.says("refused"))
            broker.start()
            wait_until(listener.listens)
        with talking(broker.port) as device:
            tell(device, "rack/1", pulses(8))
        saved = tmp_path / "mosquitto.db"  # a broker saves now and then, this one each second
        wait_until(lambda: saved.exists() and b'"pulses": 8' in saved.read_bytes())
        broker.kill()
        broker.start()
        with listening(plan) as again:
            wait_until(lambda: again.counts() == [8])

    assert [words.split(":")[0] for _, words in listener.states] == [
        "connected",
        "connection lost",
        "connection refused",
        "connected",
    ]


@pytest.mark.parametrize("leave", ["kill", "freeze"])
def test_goodbye_to_a_broker_that_has_gone(broker: Mosquitto, monkeypatch: pytest.MonkeyPatch, leave: str) -> None:
    """A farewell that cannot be sent, or that nobody answers, raises nothing and holds up the stop for a moment only."""
    monkeypatch.setattr("daemon.sources.mqtt_topic.GOODBYE_S", 0.5)
    monkeypatch.setattr("daemon.sources.mqtt_topic.GATHER_S", 0.3)  # so that it has not noticed yet
    with listening(broker_plan(broker.port)) as listener:
        wait_until(listener.listens)
        getattr(broker, leave)()
        listener.source.ask_to_stop()
        assert listener.source.join(3)
        broker.stop()


def test_stops_amid_a_flood_lose_nothing(broker: Mosquitto) -> None:
    """Stopped and started again while messages pour in: no stop hangs, and what was under way comes with the next run."""
    plan, a_run, got = broker_plan(broker.port), 250, set[int]()

    def flood(device: mqtt.Client, first: int) -> None:
        for count in range(first, first + a_run):
            device.publish("rack/1", pulses(count), qos=1)

    with talking(broker.port) as device:
        for run in range(3):  # all of them are fewer than a broker keeps
            with listening(plan) as listener:
                wait_until(listener.listens)
                thread = threading.Thread(target=flood, args=(device, run * a_run))
                thread.start()
                wait_until(lambda: max(listener.counts(), default=-1) >= run * a_run)  # noqa: B023 - waited for here
            thread.join()
            got |= set(listener.counts())
        with listening(plan) as last:
            wait_until(lambda: got | set(last.counts()) == set(range(3 * a_run)))


@needs_mosquitto
def test_several_brokers_at_once(tmp_path: pathlib.Path) -> None:
    """Each broker has a thread and a session of its own: one that is gone does not hold up the other."""
    folders = [tmp_path / "one", tmp_path / "other"]
    for folder in folders:
        folder.mkdir()
    with (
        Mosquitto(folders[0]) as one,
        Mosquitto(folders[1]) as other,
        listening(broker_plan(one.port, name="one")) as first,
        listening(broker_plan(other.port)) as second,
    ):
        wait_until(lambda: first.listens() and second.listens())
        one.freeze()
        with talking(other.port) as device:
            tell(device, "rack/1", pulses(6))
        wait_until(lambda: second.counts() == [6])
        one.stop()
        wait_until(lambda: first.says("refused"))
        assert second.says("connected")


@needs_mosquitto
def test_broker_keeps_only_the_oldest(tmp_path: pathlib.Path) -> None:
    """A broker drops the newest messages for an absent client; with cumulative counts the next one makes up for them."""
    with Mosquitto(tmp_path, {"max_queued_messages": "100"}) as broker:
        plan = broker_plan(broker.port)
        with listening(plan) as listener:
            wait_until(listener.listens)
        with talking(broker.port) as device:
            for count in range(1, 301):
                tell(device, "rack/1", pulses(count))
            with listening(plan) as again:
                wait_until(lambda: again.counts()[-1:] != [] and again.counts()[-1] >= 100)
                tell(device, "rack/1", pulses(301))
                wait_until(lambda: again.counts()[-1] == 301)

    kept = again.counts()
    assert kept[:100] == list(range(1, 101))
    assert len(kept) < 200
    assert sum(after - before for before, after in itertools.pairwise(kept)) == 300


def test_without_a_kept_session_messages_are_lost(broker: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    """MQTT 5 forgets a session at disconnect unless told otherwise: the trap that the session's expiry is there for."""
    monkeypatch.setattr("daemon.sources.mqtt_topic.SESSION_S", 0)
    plan = broker_plan(broker.port)
    with listening(plan) as listener:
        wait_until(listener.listens)
    with talking(broker.port) as device:
        tell(device, "rack/1", pulses(1))
        with listening(plan) as again:
            wait_until(again.listens)
            tell(device, "rack/1", pulses(2))
            wait_until(lambda: 2 in again.counts())

    assert again.counts() == [2]


def test_retained_messages_do_not_come_at_each_start(broker: Mosquitto) -> None:
    """However often the collector starts, a retained message of a topic that it knows becomes no reading."""
    with talking(broker.port) as device:
        tell(device, "rack/1", pulses(3), retain=True)
        for start in range(5):
            with listening(broker_plan(broker.port)) as listener:
                wait_until(listener.listens)
                tell(device, "rack/2", b"%d" % start)
                wait_until(lambda: bool(listener.counts("M2")))
            assert listener.counts("M1") == []


def test_retained_messages_are_no_fresh_readings(broker: Mosquitto) -> None:
    """A retained message is of unknown age and does not become a reading."""
    with talking(broker.port) as device:
        tell(device, "rack/1", pulses(3), retain=True)
        with listening(broker_plan(broker.port)) as listener:
            wait_until(listener.listens)
            tell(device, "rack/1", pulses(4))
            wait_until(lambda: 4 in listener.counts())

    assert listener.counts() == [4]


def test_online_and_offline_are_told(broker: Mosquitto) -> None:
    """The status topic says online while we run and offline after a clean end, for which no will is sent."""
    with listening(broker_plan(broker.port)) as listener:
        wait_until(lambda: listener.says("connected"))
        wait_until(lambda: retained(broker.port, STATUS) == b"online")

    assert retained(broker.port, STATUS) == b"offline"


HOLDER = """
import sys, time
from daemon.inbox import Inbox
from daemon.plan import BrokerPlan, FeedPlan
from daemon.sources.mqtt_topic import MqttSource
feed = FeedPlan(topic="rack/1", meter="M1", bits=32)
MqttSource(BrokerPlan(name="shed", host="127.0.0.1", port=int(sys.argv[1]), client_id="clearbore-test", feeds=(feed,)),
    Inbox()).start()
time.sleep(60)
"""


def test_offline_is_told_for_us_after_a_crash(broker: Mosquitto) -> None:
    """A collector that is killed cannot say offline: the broker does, by the will."""
    with subprocess.Popen([sys.executable, "-c", HOLDER, str(broker.port)]) as process:
        wait_until(lambda: retained(broker.port, STATUS) == b"online")
        process.send_signal(signal.SIGKILL)
        process.wait(10)
    wait_until(lambda: retained(broker.port, STATUS) == b"offline")


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


def test_values_of_gauges_beside_counts(broker: Mosquitto) -> None:
    """On a topic of their own, or in the message that holds a meter's count; what is no value is told with the gauge's name."""
    with listening(broker_plan(broker.port, gauges=GAUGES)) as listener, talking(broker.port) as device:
        wait_until(listener.listens)
        tell(device, "rack/1", b'{"pulses": 5, "uptime_s": 1, "W": 48.5}')
        tell(device, "rack/header", b"21.43")
        tell(device, "rack/header", b"nan")
        tell(device, "rack/header", b"NaN")
        tell(device, "rack/1", b'{"pulses": 6, "uptime_s": 2, "W": -4}')
        tell(device, "rack/header", b"-3")
        wait_until(lambda: len(listener.shown("header")) == 2 and len(listener.counts()) == 2)

    assert listener.shown("mains") == [48.5]
    assert listener.shown("header") == [21.43, -3.0]
    assert listener.rejected == [
        ("header: neither a whole number nor JSON", "rack/header: nan"),
        ("header: no finite number", "rack/header: NaN"),
        ("mains: value at /W that cannot be", 'rack/1: {"pulses": 6, "uptime_s": 2, "W": -4}'),
    ]

"""Brokers that refuse, repeat, go silent or send nonsense: played by a script, packet by packet."""

import random
import socket

import pytest

from daemon.inbox import Inbox
from tests.support.mosquitto import Mosquitto
from tests.support.scripted_broker import Script, disconnect, publish, scripted_broker
from tests.support.topic_listening import broker_plan, listening, pulses, talking, tell
from tests.support.waiting import wait_until

pytestmark = pytest.mark.usefixtures("short_broker_waits")


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (0x84, "does not speak MQTT 5"),
        (0x85, "refuses this client's name"),
        (0x86, "user name or password refused by the broker"),
        (0x87, "not authorised by the broker: check user name and password"),
        (0x88, "server unavailable"),
        (0x8A, "banned"),
    ],
)
def test_a_refusal_is_said_in_words_and_once(code: int, words: str) -> None:
    """Each reason of CONNACK (MQTT 5.0, table 3-1) has its words, told once and not at each try."""
    with scripted_broker(lambda _: Script(connect=code)) as (port, seen), listening(broker_plan(port)) as listener:
        wait_until(lambda: seen.connections >= 5)

    listener.gather()
    assert [up for up, _ in listener.states] == [False]
    assert words in listener.states[0][1]


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (0x8E, "took over the session: stop one of them"),
        (0x8B, "the broker is shutting down"),
        (0x97, "quota exceeded"),
    ],
)
def test_a_farewell_of_the_broker_is_said_in_words(code: int, words: str) -> None:
    """A reason that the broker gives at the end (MQTT 5.0, table 3-13) is the reason that is told."""
    script = Script(after=disconnect(code), close=True)
    with scripted_broker(lambda _: script) as (port, _), listening(broker_plan(port)) as listener:
        wait_until(lambda: any(words in said for _, said in listener.states) or listener.says(words))


def test_a_refused_topic_is_named() -> None:
    """A broker that takes the connection but will not send the topics is up, and says what it refuses."""
    with scripted_broker(lambda _: Script(subscribe=0x87)) as (port, _), listening(broker_plan(port)) as listener:
        wait_until(lambda: listener.says("refuses to send rack/1, rack/2"))

    assert listener.states[-1][0]


def test_connected_is_said_once_the_topics_are_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before its SUBACK a broker sends nothing that is published: one that takes no topics is tried anew, and told."""
    monkeypatch.setattr("daemon.sources.mqtt_topic.ANSWER_S", 0.5)
    with (
        scripted_broker(lambda number: Script(subscribe=None if number < 2 else 0x01)) as (port, seen),
        listening(broker_plan(port)) as listener,
    ):
        wait_until(lambda: listener.says("no answer"))
        assert [up for up, _ in listener.states] == [False]
        wait_until(listener.listens)
        assert seen.connections == 3


def test_a_doubled_message_is_marked() -> None:
    """What the broker marks as sent before (MQTT 5.0, 3.3.1.1) carries the mark on, and each is acknowledged."""
    sent = publish(b"rack/1", pulses(5), number=7) + publish(b"rack/1", pulses(5), number=7, repeated=True)
    with scripted_broker(lambda _: Script(after=sent)) as (port, seen), listening(broker_plan(port)) as listener:
        wait_until(lambda: len(listener.counts()) == 2 and len(seen.acknowledged) == 2)

    assert [item.again for item in listener.readings] == [False, True]
    assert seen.acknowledged == [7, 7]


def test_a_topic_that_is_no_text() -> None:
    """A topic that is not UTF-8, which a broker must not send, costs itself and not the source."""
    sent = publish(b"rack/\xff", b"5", number=1) + publish(b"rack/1", pulses(6), number=2)
    with scripted_broker(lambda _: Script(after=sent)) as (port, seen), listening(broker_plan(port)) as listener:
        wait_until(lambda: listener.counts() == [6] and seen.acknowledged == [1, 2])


def test_packets_that_are_no_mqtt() -> None:
    """Whatever bytes a broker sends, the source goes on and reads the next good message (packets broken from a seed)."""
    dice = random.Random(20261124)  # noqa: S311 - for damage, not for secrets

    def script_of(number: int) -> Script:
        if number >= 60:
            return Script(after=publish(b"rack/1", pulses(1234)))
        broken = bytearray(publish(b"rack/1", pulses(5)) + disconnect(0x8B) + b"\xd0\x00\x40\x02\x00\x01")
        for _ in range(3):
            broken[dice.randrange(len(broken))] = dice.randrange(256)
        return Script(after=bytes(broken), close=True)

    with scripted_broker(script_of) as (port, _), listening(broker_plan(port)) as listener:
        wait_until(lambda: 1234 in listener.counts(), timeout_s=30)
        assert listener.source.alive


def test_a_full_inbox_leaves_the_messages_at_the_broker(broker: Mosquitto) -> None:
    """While the writer does not keep up, nothing is turned away: the broker keeps what does not fit, and sends it later."""
    inbox = Inbox(50)
    with listening(broker_plan(broker.port), inbox) as listener:
        wait_until(listener.listens)
        with talking(broker.port) as device:
            for count in range(1, 301):
                tell(device, "rack/1", pulses(count))
        wait_until(lambda: not inbox.has_room)
        wait_until(lambda: len(listener.counts()) == 300)

    assert listener.counts() == list(range(1, 301))
    assert inbox.lost == 0


# the client library leaves the socket of a failed handshake to the garbage collector
@pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning")
def test_a_broker_that_accepts_and_says_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """A port that takes the connection and never answers the TLS greeting is told, and does not hold up a stop."""
    monkeypatch.setattr("daemon.sources.mqtt_topic.CONNECT_S", 0.3)
    with (
        socket.create_server(("127.0.0.1", 0)) as server,
        listening(broker_plan(server.getsockname()[1], tls=True)) as listener,
    ):
        wait_until(lambda: listener.says("no answer: is the host switched on"))

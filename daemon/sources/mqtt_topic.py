"""Pulse counters and gauges on MQTT topics: one session a broker that the broker remembers, taken up again for ever.

The client's network code runs in our own thread by calls of our own, so that an error of it ends one connection and
not, unseen, the thread. The callbacks only put into the inbox. Messages are acknowledged once they are in the inbox,
whatever they hold: a message that cannot be used is counted and quarantined, and never comes again.
"""

import collections
import os
import pathlib
import select
import ssl
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from config.errors import SourceUnavailable
from daemon import clock
from daemon.inbox import Inbox, Item
from daemon.plan import BrokerPlan, FeedPlan, GaugeFeedPlan
from daemon.readings import Arrival, GaugeValue, Reading, Rejected, shown
from daemon.sources import payload
from daemon.sources.backoff import Backoff
from daemon.sources.broker_words import words_of_error, words_of_reason
from daemon.sources.source import Source

KEEPALIVE_S = 30
SESSION_S = 7 * 24 * 3600
"""How long the broker keeps our session, and what it may hold for us, while we are away."""
WAIT_S = 1.0
GATHER_S = 2.0
"""After messages were taken, time for more to come in: a wake-up in two seconds, however many meters there are."""
CONNECT_S = 5.0
"""For the connection itself, and for each step of its TLS greeting."""
ANSWER_S = 10.0
"""A broker that takes the connection must accept it, and our topics, within this."""
QUIET_S = 0.005
A_PORTION = 15
"""A backlog comes in portions of some twenty messages; after this much silence it is over."""
MOST_AT_ONCE = 4_000
"""Between two waits: two thousand a second, however long a backlog is."""
GOODBYE_S = 2.0
GOODBYE_WAIT_S = 0.1
CLOSED_AT_ONCE = "the connection was closed at once: is this an MQTT broker, and does this port want TLS?"
NO_ANSWER = "no answer from a broker: is the port right, and does it want TLS?"
REFUSED = 128
"""Reason codes from here on are failures (MQTT 5.0, 2.4)."""


class MqttSource(Source):
    """Reads the topics of one broker; tells `clearbore/<client id>/status` online or offline."""

    def __init__(self, plan: BrokerPlan, inbox: Inbox) -> None:
        super().__init__(f"mqtt:{plan.name}", f"{plan.host}:{plan.port}", inbox)
        self._plan = plan
        self._feeds: dict[str, list[FeedPlan]] = collections.defaultdict(list)
        for feed in plan.feeds:
            self._feeds[feed.topic].append(feed)
        self._gauges: dict[str, list[GaugeFeedPlan]] = collections.defaultdict(list)
        for gauge in plan.gauges:
            self._gauges[gauge.topic].append(gauge)
        self._topics = tuple(dict.fromkeys((*self._feeds, *self._gauges)))
        self._status_topic = f"clearbore/{plan.client_id}/status"
        self._backoff = Backoff()
        self._lost_words = ""
        self._subscribed = False

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._lost_words = CLOSED_AT_ONCE
            try:
                self._hold_connection()
            except SourceUnavailable as error:
                self._lost_words = str(error)
            except (OSError, ValueError) as error:  # paho raises ValueError for a reply that is no MQTT
                self._lost_words = words_of_error(error)
            if not self._stopping.is_set():
                self._say(up=False, words=self._lost_words)
                self._stopping.wait(self._backoff.next_s())

    def _hold_connection(self) -> None:
        """Connect, then serve the connection until it is lost or we are to stop."""
        client = self._client()
        self._subscribed = False
        client.connect(
            self._plan.host,
            self._plan.port,
            keepalive=KEEPALIVE_S,
            clean_start=False,
            properties=_session_properties(),
        )
        answer_by_s = clock.monotonic_s() + ANSWER_S
        try:
            while not self._stopping.is_set() and self._serve(client, WAIT_S, GATHER_S):
                if not self._subscribed and clock.monotonic_s() > answer_by_s:
                    raise SourceUnavailable(NO_ANSWER)
            if self._stopping.is_set():
                self._say_goodbye(client)
        finally:
            _close(client)

    def _serve(self, client: mqtt.Client, wait_s: float, gather_s: float) -> bool:
        """Wait for the socket once, handle all that it brings and give it time; False if the connection is gone."""
        # with a full inbox the messages wait at the broker, which keeps them, as they are not acknowledged yet
        if self._inbox.has_room and _readable(client, wait_s) and not self._read_all(client):
            return False
        while client.want_write():
            if client.loop_write() != MQTTErrorCode.MQTT_ERR_SUCCESS or not _writable(client):
                return False
        if client.loop_misc() != MQTTErrorCode.MQTT_ERR_SUCCESS:
            return False
        if self._subscribed or not self._inbox.has_room:  # before that, the broker's answers are waited for
            self._stopping.wait(gather_s)
        return True

    def _read_all(self, client: mqtt.Client) -> bool:
        """Handle what has come in; False if the connection is gone."""
        for number in range(MOST_AT_ONCE):
            if client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return False
            if not self._inbox.has_room or not _readable(client, QUIET_S if number > A_PORTION else 0.0):
                break
        return True

    def _say_goodbye(self, client: mqtt.Client) -> None:
        """Take in what is under way, then say offline: a clean end suppresses the will."""
        if not client.is_connected():
            return
        farewell = client.publish(self._status_topic, b"offline", qos=1, retain=True)
        until_s = clock.monotonic_s() + GOODBYE_S
        # asked for a message that was never on its way, is_published raises
        while farewell.rc == MQTTErrorCode.MQTT_ERR_SUCCESS and not farewell.is_published():
            if clock.monotonic_s() > until_s or not self._serve(client, GOODBYE_WAIT_S, GOODBYE_WAIT_S):
                return
        client.disconnect()
        while client.want_write() and client.loop_write() == MQTTErrorCode.MQTT_ERR_SUCCESS:
            pass

    def _client(self) -> mqtt.Client:
        """A client with our session's name, will, secrets and callbacks."""
        plan = self._plan
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=plan.client_id, protocol=mqtt.MQTTv5)
        client.connect_timeout = CONNECT_S
        client.will_set(self._status_topic, b"offline", qos=1, retain=True)
        if plan.user is not None:
            client.username_pw_set(plan.user, _password(plan))
        if plan.tls:
            client.tls_set_context(_tls_context(plan.ca_file))
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_disconnect = self._on_disconnect
        return client

    def _on_connect(
        self, client: mqtt.Client, _data: Any, _flags: mqtt.ConnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        """Subscribe at each connection: the broker may have lost the session."""
        if reason.is_failure:
            self._lost_words = words_of_reason(str(reason))
            return
        self._lost_words = "connection lost"
        options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
        client.subscribe([(topic, options) for topic in self._topics])
        client.publish(self._status_topic, b"online", qos=1, retain=True)

    def _on_subscribe(
        self, _client: mqtt.Client, _data: Any, _mid: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        """Only now does the broker send what is published: say so, and which topics it refuses."""
        self._subscribed = True
        self._backoff.reset()
        refused = [topic for topic, reason in zip(self._topics, reasons, strict=False) if reason.value >= REFUSED]
        but = f", but the broker refuses to send {', '.join(refused)}" if refused else ""
        self._say(up=True, words=f"connected{but}")

    def _on_disconnect(
        self, _client: mqtt.Client, _data: Any, flags: mqtt.DisconnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        """Keep the broker's own reason, if it gave one."""
        if flags.is_disconnect_packet_from_server:
            self._lost_words = words_of_reason(str(reason))

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        """Put the message into the inbox; nothing that it holds can raise."""
        self._inbox.offer(self.items_of(message))

    def items_of(self, message: mqtt.MQTTMessage) -> list[Item]:
        """A message as readings of the meters and values of the gauges on its topic, or as rejected."""
        topic = bytes(message._topic).decode("utf-8", "replace")  # noqa: SLF001 - the public property raises on bad UTF-8
        if message.retain:
            return []  # of unknown age: the next message makes up for it
        arrival_ms = round(clock.monotonic_s() * 1000)
        readings: list[Reading] = []
        rejected: list[Item] = []
        for feed in self._feeds.get(topic, ()):
            try:
                readings.append(_reading(feed, message, arrival_ms))
            except payload.PayloadError as error:
                line = f"{topic}: {shown(bytes(message.payload))}"
                rejected.append(Rejected(source=self.name, reason=str(error), line=line))
        values: list[GaugeValue] = []
        for gauge in self._gauges.get(topic, ()):
            try:
                values.append(_value(gauge, message, arrival_ms))
            except payload.PayloadError as error:
                line = f"{topic}: {shown(bytes(message.payload))}"
                rejected.append(Rejected(source=self.name, reason=f"{gauge.gauge}: {error}", line=line))
        if readings or values or not rejected:
            return [Arrival(source=self.name, readings=tuple(readings), values=tuple(values)), *rejected]
        return rejected


def _reading(feed: FeedPlan, message: mqtt.MQTTMessage, arrival_ms: int) -> Reading:
    """What a message says of one meter."""
    document = payload.parse(bytes(message.payload))
    return Reading(
        meter=feed.meter,
        count=payload.count_at(document, feed.pulses, bits=feed.bits),
        uptime_ms=None if feed.uptime is None else payload.uptime_ms_at(document, feed.uptime),
        arrival_ms=arrival_ms,
        again=message.dup,
    )


def _value(gauge: GaugeFeedPlan, message: mqtt.MQTTMessage, arrival_ms: int) -> GaugeValue:
    """What a message says of one gauge."""
    document = payload.parse(bytes(message.payload))
    value = payload.value_at(document, gauge.value, least=gauge.least, most=gauge.most)
    return GaugeValue(gauge=gauge.gauge, value=value, arrival_ms=arrival_ms, again=message.dup)


def _session_properties() -> Properties:
    """Have the broker keep our session while we are away."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
    properties.SessionExpiryInterval = SESSION_S
    return properties


def _password(plan: BrokerPlan) -> str | None:
    """The password, from the file or the service manager's credential that the plan names.

    Raises:
        SourceUnavailable: it cannot be read.
    """
    if plan.password_file is not None:
        file = pathlib.Path(plan.password_file)
    elif plan.password_credential is not None:
        file = pathlib.Path(os.environ.get("CREDENTIALS_DIRECTORY", "/nonexistent"), plan.password_credential)
    else:
        return None
    try:
        return file.read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        words = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        raise SourceUnavailable(f"password file {file} cannot be read: {words}") from error


def _tls_context(ca_file: str | None) -> ssl.SSLContext:
    """Certificate and host name are checked, always.

    Raises:
        SourceUnavailable: the file of issuers cannot be used.
    """
    try:
        return ssl.create_default_context(cafile=ca_file)
    except OSError as error:
        raise SourceUnavailable(f"ca_file {ca_file} cannot be used: {error.strerror or error}") from error


def _readable(client: mqtt.Client, wait_s: float) -> bool:
    """Whether bytes wait, in the socket or already deciphered."""
    connection = client.socket()
    if connection is None:
        return False
    if isinstance(connection, ssl.SSLSocket) and connection.pending():
        return True
    return bool(select.select([connection], [], [], wait_s)[0])


def _writable(client: mqtt.Client) -> bool:
    """Whether the socket takes bytes within a keepalive."""
    connection = client.socket()
    return connection is not None and bool(select.select([], [connection], [], float(KEEPALIVE_S))[1])


def _close(client: mqtt.Client) -> None:
    """Close the socket if it is still open."""
    connection = client.socket()
    if connection is not None:
        connection.close()

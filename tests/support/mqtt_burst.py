"""Many readings at once: MQTT 3.1.1 packets over a bare socket, so that the sender is not what limits."""

import json
import socket
import threading
import time
from collections.abc import Sequence

CONNECT = bytes.fromhex("100e00044d5154540402003c00026262")
"""MQTT 3.1.1, clean session, keep-alive 60 s, client name "bb"."""
CONNACK_BYTES, PUBACK_BYTES = 4, 4
PUBLISH_QOS1 = 0x32
A_PORTION = 500
MOST_IDS = 65_000
PULSES_HZ = 50
UPTIME_S = 1e6
"""How long the devices have been up: with a short time, a message that is late looks like a device that started anew."""


def publish_readings(port: int, topics: Sequence[str], readings: int) -> None:
    """Publish so many readings at QoS 1, topic after topic, each with the uptime at which it leaves.

    Returns once the broker has acknowledged all of them.
    """
    begun_s = time.monotonic()
    with socket.create_connection(("127.0.0.1", port)) as connection:
        connection.sendall(CONNECT)
        connection.recv(CONNACK_BYTES)
        listener = threading.Thread(target=_take_acknowledgements, args=(connection, readings))
        listener.start()
        for first in range(0, readings, A_PORTION):
            uptime_s = time.monotonic() - begun_s
            numbers = range(first, min(first + A_PORTION, readings))
            connection.sendall(b"".join(_packet(topics[n % len(topics)], n, uptime_s) for n in numbers))
        listener.join()


def _packet(topic: str, number: int, uptime_s: float) -> bytes:
    """One PUBLISH; uptimes are a little apart, so that none is taken for a repetition."""
    told_s = UPTIME_S + uptime_s + number % A_PORTION * 1e-3 / A_PORTION
    payload = json.dumps({"pulses": int(told_s * PULSES_HZ), "uptime_s": round(told_s, 6)}).encode()
    name = topic.encode()
    body = len(name).to_bytes(2) + name + (1 + number % MOST_IDS).to_bytes(2) + payload
    return bytes([PUBLISH_QOS1, len(body)]) + body  # shorter than 128 bytes: one byte tells the length


def _take_acknowledgements(connection: socket.socket, readings: int) -> None:
    """Read until the broker has acknowledged everything."""
    missing = readings * PUBACK_BYTES
    while missing > 0:
        got = len(connection.recv(1 << 16))
        if got == 0:
            raise ConnectionError("the broker closed the connection")
        missing -= got

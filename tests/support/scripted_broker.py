"""A broker that says what a test has it say: MQTT 5.0 packets over loopback, one script a connection.

Packets after the OASIS standard MQTT Version 5.0: CONNACK 3.2, PUBLISH 3.3, PUBACK 3.4, SUBACK 3.9, DISCONNECT 3.14.
"""

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

SUCCESS = 0x00
CONNECT, PUBLISH, SUBSCRIBE = 1, 3, 8
"""Packet types (MQTT 5.0, 2.1.2)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Script:
    """What one connection gets: an answer to CONNECT, one to each topic asked for (or none), then bytes as they are."""

    connect: int = SUCCESS
    subscribe: int | None = 0x01
    after: bytes = b""
    close: bool = False


@dataclass(slots=True, kw_only=True)
class Seen:
    """What came in: connections, acknowledged messages, and payloads published to us."""

    connections: int = 0
    acknowledged: list[int] = field(default_factory=list)
    published: list[bytes] = field(default_factory=list)


def publish(topic: bytes, payload: bytes, *, number: int = 1, repeated: bool = False, retained: bool = False) -> bytes:
    """A PUBLISH packet at QoS 1."""
    body = len(topic).to_bytes(2, "big") + topic + number.to_bytes(2, "big") + b"\x00" + payload
    return bytes([0x32 | repeated << 3 | retained]) + _length(len(body)) + body


def disconnect(reason: int) -> bytes:
    """A DISCONNECT packet of the server."""
    return bytes([0xE0, 2, reason, 0])


@contextlib.contextmanager
def scripted_broker(script_of: Callable[[int], Script]) -> Iterator[tuple[int, Seen]]:
    """Serve one connection after another, number 0 by `script_of(0)` and so on; its port, and what it sees."""
    seen = Seen()
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.05)
        stopping = threading.Event()
        thread = threading.Thread(target=_serve, args=(server, script_of, seen, stopping))
        thread.start()
        try:
            yield server.getsockname()[1], seen
        finally:
            stopping.set()
            thread.join()


def _serve(server: socket.socket, script_of: Callable[[int], Script], seen: Seen, stopping: threading.Event) -> None:
    while not stopping.is_set():
        with contextlib.suppress(OSError):  # nobody came, or whoever came has left
            visitor, _ = server.accept()
            with visitor:
                visitor.settimeout(0.05)
                seen.connections += 1
                _play(visitor, script_of(seen.connections - 1), seen, stopping)


def _play(visitor: socket.socket, script: Script, seen: Seen, stopping: threading.Event) -> None:
    """Answer until the visitor leaves; a script that closes does so once it is through."""
    for kind, body in _packets(visitor, stopping):
        if kind == CONNECT:
            visitor.sendall(bytes([0x20, 3, 0, script.connect, 0]))
        elif kind == SUBSCRIBE and script.subscribe is not None:
            visitor.sendall(_suback(body, script.subscribe) + script.after)
        elif kind == PUBLISH:
            length = int.from_bytes(body[:2], "big")
            seen.published.append(body[length + 5 :])
            visitor.sendall(b"\x40\x02" + body[length + 2 : length + 4])
        elif kind == 4:  # PUBACK
            seen.acknowledged.append(int.from_bytes(body[:2], "big"))
        if script.connect != SUCCESS or (script.close and kind == SUBSCRIBE):
            visitor.shutdown(socket.SHUT_WR)  # a close at once could take back what was sent


def _suback(body: bytes, reason: int) -> bytes:
    """An answer to a SUBSCRIBE, the same for each of its topics."""
    topics, place = 0, 3
    while place < len(body):
        place += 2 + int.from_bytes(body[place : place + 2], "big") + 1
        topics += 1
    return bytes([0x90, 3 + topics]) + body[:2] + b"\x00" + bytes([reason]) * topics


def _packets(visitor: socket.socket, stopping: threading.Event) -> Iterator[tuple[int, bytes]]:
    """(type, body) of each packet that the visitor sends."""
    held = b""
    while not stopping.is_set():
        try:
            got = visitor.recv(4096)
        except TimeoutError:
            continue
        if not got:
            return
        held += got
        while len(held) >= 2 and len(held) >= 2 + held[1]:  # our visitor's packets are shorter than 128 bytes
            yield held[0] >> 4, held[2 : 2 + held[1]]
            held = held[2 + held[1] :]


def _length(size: int) -> bytes:
    """A variable byte integer (MQTT 5.0, 1.5.5)."""
    digits: list[int] = []
    while True:
        size, digit = divmod(size, 128)
        digits.append(digit | (0x80 if size else 0))
        if not size:
            return bytes(digits)

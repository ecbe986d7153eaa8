r"""The wire format of a pulse counter and of gauges: bytes in, sentences and garbage out. No port is opened here.

One sentence is one ASCII line in the frame of NMEA 0183 (`$`, comma-separated fields, `*`, checksum, CR LF):

    $PCLB,<uptime>,<first channel>,<count>,<rejected>[,<count>,<rejected>]...,<crc>*<checksum>\r\n
    $PCLB,86400,1,1048576,0,20311,12,E192*7E

    PCLB            "P" for a proprietary sentence, then our three letters
    uptime          seconds since the counter started, 0 to 4294967295, with up to three decimals if it knows them;
                    taken at the moment the counts are taken, and falling back to 0 whenever the counts do
    first channel   channel of the first pair, 1 to 99; the pairs that follow are the next channels
    count           pulses since the counter started, 0 to 4294967295; a 16-bit counter goes to 65535; it wraps to 0
    rejected        edges that the counter threw away as contact bounce or noise since it started, same range
    crc             CRC-16/XMODEM (polynomial 0x1021, start 0) of every byte after `$` up to and with the comma
                    before the CRC itself, four capital hexadecimal digits
    checksum        exclusive or of every byte between `$` and `*`, two capital hexadecimal digits

Numbers are plain decimal digits without sign, space or leading "+". A sentence carries 1 to 16 pairs; a counter with
more channels sends several sentences with the same uptime. With 16 pairs a sentence is longer than the 82 characters
of NMEA 0183, which a device that must keep them avoids by sending two or three channels a sentence. CR may be
missing, LF may not. Counts are cumulative, so that a lost line costs resolution and never volume. 38400 baud, 8N1,
one sentence a second is usual. tests/firmware/counter.c is a counter that speaks it.

What gauges show comes in a sentence of its own, in the same frame with the same sums, from a counter that has sensors too
or from a device of its own; a program that does not know it counts it as a sentence of another kind:

    $PCLG,<uptime>,<first channel>,<value>[,<value>]...,<crc>*<checksum>\r\n
    $PCLG,86400,1,21.43,48.5,306D*73

    PCLG            our letters, and G for gauges
    uptime          as above; it is not used yet, a value counts for the moment at which it arrives
    first channel   channel of the first value, 1 to 99, the values that follow are the next channels; channels of values
                    have nothing to do with those of counts
    value           what the gauge shows, in the unit of its [[gauge]] table: up to nine digits, up to six decimals, a
                    minus before them where it is below nothing; empty where the sensor gives nothing

1 to 16 values. A mean over the time since the sentence before is better than a momentary value; once in two seconds is
as good as oftener, once a minute is enough.

Both sums are there because an exclusive or alone passes about one in seventy of all two-bit errors; with the CRC no
error of up to two bits gets through in a sentence of this length.
"""

import binascii
import functools
import operator
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

MAX_COUNT = 0xFFFF_FFFF
MAX_CHANNELS = 16
LINE_LIMIT = 512
"""Bytes of one line, more than the longest sentence; beyond them there is no line end to hope for."""

_LF = b"\n"
_START = b"$"
_TAG = b"PCLB,"
_FRAME = re.compile(rb"([\x20-\x23\x25-\x29\x2b-\x7e]{1,500})\*([0-9A-F]{2})\r?")
_BODY = re.compile(rb"PCLB,([0-9]{1,10})(?:\.([0-9]{1,3}))?,([1-9][0-9]?)((?:,[0-9]{1,10},[0-9]{1,10}){1,16}),")
_VALUES_TAG = b"PCLG,"
_VALUE = rb"-?[0-9]{1,9}(?:\.[0-9]{1,6})?"
_VALUES = re.compile(rb"PCLG,([0-9]{1,10})(?:\.([0-9]{1,3}))?,([1-9][0-9]?)((?:,(?:" + _VALUE + rb")?){1,16}),")
_CRC = re.compile(rb"[0-9A-F]{4}")


class Reason(StrEnum):
    """Why bytes were no sentence."""

    NOT_OURS = "a sentence of another kind"
    NO_FRAME = "not a whole sentence"
    CHECKSUM = "checksum wrong"
    CRC = "CRC wrong"
    FIELDS = "fields wrong"
    NO_LINE_END = "no line end: wrong baud rate?"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """What a counter said.

    Attributes:
        uptime_ms: milliseconds since the counter started.
        first_channel: channel of the first count, from 1.
        counts: cumulative pulses by channel.
        rejected: cumulative edges thrown away by the counter, by channel.
    """

    uptime_ms: int
    first_channel: int
    counts: tuple[int, ...]
    rejected: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Values:
    """What a device said of gauges.

    Attributes:
        uptime_ms: milliseconds since it started.
        first_channel: channel of the first value, from 1.
        values: by channel, each in its gauge's unit; None where the sensor gives nothing.
    """

    uptime_ms: int
    first_channel: int
    values: tuple[float | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Garbage:
    """Bytes that were no sentence, with the reason."""

    reason: Reason
    line: bytes


Event = Sentence | Values | Garbage


class Decoder:
    """Finds the sentences in a stream of bytes, however the stream is cut up.

    Resynchronises at each `$`: noise before, and a line glued to the next, cost only themselves. Holds at most
    LINE_LIMIT bytes plus what one call brings.
    """

    def __init__(self) -> None:
        self._held = b""

    def feed(self, data: bytes) -> list[Event]:
        """All that is complete by now, in the order of the stream."""
        held = self._held + data
        events: list[Event] = []
        start = 0
        while True:
            end = held.find(_LF, start, start + LINE_LIMIT + 1)
            if end >= 0:
                events += _decode_line(held[start:end])
                start = end + 1
            elif len(held) - start > LINE_LIMIT:
                cut = _cut_of(held[start : start + LINE_LIMIT])
                events.append(Garbage(reason=Reason.NO_LINE_END, line=held[start : start + cut]))
                start += cut
            else:
                self._held = held[start:]
                return events

    def give_up(self) -> list[Event]:
        """What is held of a line that will not go on, because its stream has ended."""
        held, self._held = self._held, b""
        return list(_decode_line(held))


def _cut_of(block: bytes) -> int:
    """Bytes to give up of a block without a line end: up to the last `$`, from where a sentence may yet come."""
    last = block.rfind(_START)
    return last if last > 0 else len(block)


def _decode_line(line: bytes) -> Iterator[Event]:
    """The pieces of one line, split at each `$`; empty lines and bare CRs say nothing."""
    head, *pieces = line.split(_START)
    if head.strip(b"\r"):
        yield Garbage(reason=Reason.NO_FRAME, line=head)
    for piece in pieces:
        yield _decode_piece(piece)


def _decode_piece(piece: bytes) -> Event:
    """What stands between one `$` and the next, or the line's end."""
    frame = _FRAME.fullmatch(piece)
    if frame is None:
        return Garbage(reason=Reason.NO_FRAME, line=_START + piece)
    body = frame[1]
    if checksum_of(body) != int(frame[2], 16):
        return Garbage(reason=Reason.CHECKSUM, line=_START + piece)
    if not body.startswith((_TAG, _VALUES_TAG)):
        return Garbage(reason=Reason.NOT_OURS, line=_START + piece)
    if _CRC.fullmatch(body[-4:]) is None or crc_of(body[:-4]) != int(body[-4:], 16):
        return Garbage(reason=Reason.CRC, line=_START + piece)
    read = _read_fields if body.startswith(_TAG) else _read_values
    return read(body[:-4]) or Garbage(reason=Reason.FIELDS, line=_START + piece)


def _read_fields(body: bytes) -> Sentence | None:
    """The numbers of a body whose sums are right; None if one is out of range."""
    match = _BODY.fullmatch(body)
    if match is None:
        return None
    numbers = [int(field) for field in match[4][1:].split(b",")]
    uptime_s = int(match[1])
    if max(uptime_s, *numbers) > MAX_COUNT:
        return None
    return Sentence(
        uptime_ms=uptime_s * 1000 + int((match[2] or b"").ljust(3, b"0")),
        first_channel=int(match[3]),
        counts=tuple(numbers[0::2]),
        rejected=tuple(numbers[1::2]),
    )


def _read_values(body: bytes) -> Values | None:
    """The values of a body whose sums are right; None if one is out of range."""
    match = _VALUES.fullmatch(body)
    if match is None or int(match[1]) > MAX_COUNT:
        return None
    return Values(
        uptime_ms=int(match[1]) * 1000 + int((match[2] or b"").ljust(3, b"0")),
        first_channel=int(match[3]),
        values=tuple(float(field) if field else None for field in match[4][1:].split(b",")),
    )


def encode(*, uptime_ms: int, counts: Sequence[int], rejected: Sequence[int] = (), first_channel: int = 1) -> bytes:
    """One sentence as a counter sends it, with CR LF.

    Args:
        uptime_ms: milliseconds since the counter started; whole seconds are written without decimals.
        counts: 1 to MAX_CHANNELS cumulative counts.
        rejected: as many rejected edges; none means zeros.
        first_channel: channel of the first count, from 1.

    Raises:
        ValueError: a number that the format cannot carry.
    """
    edges = tuple(rejected) or (0,) * len(counts)
    seconds, rest_ms = divmod(uptime_ms, 1000)
    uptime = f"{seconds}.{rest_ms:03d}" if rest_ms else f"{seconds}"
    pairs = ",".join(f"{count},{edge}" for count, edge in zip(counts, edges, strict=True))
    body = f"PCLB,{uptime},{first_channel},{pairs},".encode()
    if _read_fields(body) is None:
        raise ValueError(f"no sentence can carry this: {body.decode()}")
    return _framed(body)


def encode_values(*, uptime_ms: int, values: Sequence[float | None], first_channel: int = 1) -> bytes:
    """One sentence of values as a device sends it, with CR LF; the fields as in `Values`.

    Raises:
        ValueError: a number that the format cannot carry.
    """
    told = ",".join("" if value is None else f"{value:.6f}".rstrip("0").rstrip(".") for value in values)
    seconds, rest_ms = divmod(uptime_ms, 1000)
    uptime = f"{seconds}.{rest_ms:03d}" if rest_ms else f"{seconds}"
    body = f"PCLG,{uptime},{first_channel},{told},".encode()
    if _read_values(body) is None:
        raise ValueError(f"no sentence can carry this: {body.decode()}")
    return _framed(body)


def _framed(body: bytes) -> bytes:
    """A body up to its last comma with both sums, as a line."""
    body += b"%04X" % crc_of(body)
    return b"$%s*%02X\r\n" % (body, checksum_of(body))


def crc_of(data: bytes) -> int:
    """CRC-16/XMODEM: polynomial 0x1021, start 0, not reflected; "123456789" gives 0x31C3."""
    return binascii.crc_hqx(data, 0)


def checksum_of(data: bytes) -> int:
    """Exclusive or of all bytes, as in NMEA 0183."""
    return functools.reduce(operator.xor, data, 0)

"""The wire format, fed whole, torn, glued, flooded and corrupted."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon import wire

LINE = wire.encode(uptime_ms=86_400_000, counts=[1_048_576, 20_311], rejected=[0, 12])
SENTENCE = wire.Sentence(uptime_ms=86_400_000, first_channel=1, counts=(1_048_576, 20_311), rejected=(0, 12))

numbers = st.integers(0, wire.MAX_COUNT)
sentences = st.builds(
    lambda pairs, uptime_ms, first: wire.Sentence(
        uptime_ms=uptime_ms,
        first_channel=first,
        counts=tuple(count for count, _ in pairs),
        rejected=tuple(edges for _, edges in pairs),
    ),
    st.lists(st.tuples(numbers, numbers), min_size=1, max_size=wire.MAX_CHANNELS),
    st.integers(0, wire.MAX_COUNT * 1000 + 999),
    st.integers(1, 99),
)


def encoded(sentence: wire.Sentence) -> bytes:
    """The line of a sentence."""
    return wire.encode(
        uptime_ms=sentence.uptime_ms,
        counts=sentence.counts,
        rejected=sentence.rejected,
        first_channel=sentence.first_channel,
    )


def decode(*chunks: bytes) -> list[wire.Event]:
    """What a fresh decoder makes of these chunks."""
    decoder = wire.Decoder()
    return [event for chunk in chunks for event in decoder.feed(chunk)]


def test_example_of_the_documentation_is_what_is_sent() -> None:
    """The line shown in the module's documentation is the line that the encoder writes."""
    assert wire.__doc__ is not None
    assert LINE.decode().strip() in wire.__doc__
    assert decode(LINE) == [SENTENCE]


def test_crc_check_value() -> None:
    """CRC-16/XMODEM of "123456789" is 0x31C3: the check value of the catalogue of parametrised CRC algorithms."""
    assert wire.crc_of(b"123456789") == 0x31C3


def test_checksum_of_a_known_nmea_sentence() -> None:
    """The GGA sentence that GPS handbooks print ends in *47 (NMEA 0183 exclusive or; the sentence is from memory)."""
    body = b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert wire.checksum_of(body) == 0x47


@given(sentences)
def test_what_is_encoded_is_decoded(sentence: wire.Sentence) -> None:
    """Encoding and decoding are inverse over the whole range of the format."""
    assert decode(encoded(sentence)) == [sentence]


def test_longest_sentence_fits_the_line_limit() -> None:
    """Sixteen channels at their largest numbers are shorter than what the decoder holds."""
    line = wire.encode(
        uptime_ms=wire.MAX_COUNT * 1000 + 999, counts=[wire.MAX_COUNT] * 16, rejected=[wire.MAX_COUNT] * 16
    )
    assert len(line) < wire.LINE_LIMIT
    assert len(decode(line)) == 1


@given(st.binary(max_size=2000))
def test_noise_never_raises(noise: bytes) -> None:
    """Any bytes give events, never an exception, and what is held stays bounded."""
    decoder = wire.Decoder()
    decoder.feed(noise)
    assert len(decoder._held) <= wire.LINE_LIMIT


@given(st.lists(st.one_of(st.just(LINE), st.binary(max_size=700), st.just(b"$" * 600)), max_size=6), st.data())
def test_every_split_gives_the_same_events(parts: list[bytes], data: st.DataObject) -> None:
    """However a stream is cut up, the same sentences and the same garbage come out."""
    stream = b"".join(parts)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=10)))
    chunks = [stream[start:end] for start, end in itertools.pairwise([0, *cuts, len(stream)])]

    assert decode(stream) == decode(*chunks)


def test_byte_by_byte() -> None:
    """Two lines fed one byte at a time are two sentences."""
    assert decode(*(bytes([byte]) for byte in LINE * 2)) == [SENTENCE, SENTENCE]


@given(st.binary(max_size=300).filter(lambda noise: b"\n" not in noise))
def test_resynchronises_after_noise(noise: bytes) -> None:
    """Noise before a line, without a line end of its own, does not take the line with it."""
    assert decode(noise + LINE)[-1] == SENTENCE


def test_glued_lines_are_both_kept() -> None:
    """A lost line end between two sentences loses neither."""
    assert decode(LINE.strip() + LINE) == [SENTENCE, SENTENCE]


def test_torn_line_glued_to_the_next() -> None:
    """A line torn off in the middle is garbage, the one glued to it is kept."""
    assert decode(LINE[:20] + LINE) == [wire.Garbage(reason=wire.Reason.NO_FRAME, line=LINE[:20]), SENTENCE]


@given(st.integers(0, len(LINE)))
def test_a_stream_that_ends_anywhere_is_accounted_for(cut: int) -> None:
    """Whatever of a line came before the end of the stream is its sentence or counted as garbage, and nothing is held."""
    decoder = wire.Decoder()
    events = decoder.feed(LINE[:cut]) + decoder.give_up()

    whole = cut >= len(LINE) - 2
    assert events == ([SENTENCE] if whole else [wire.Garbage(reason=wire.Reason.NO_FRAME, line=LINE[:cut])][:cut])
    assert decoder.feed(LINE) == [SENTENCE]


def test_flood_without_line_end_is_named_and_bounded() -> None:
    """A megabyte without a line end is counted with the likely cause, and nothing piles up."""
    decoder = wire.Decoder()
    events = decoder.feed(b"\xf8\x00" * 500_000)

    assert {event.reason for event in events if isinstance(event, wire.Garbage)} == {wire.Reason.NO_LINE_END}
    assert len(decoder._held) <= wire.LINE_LIMIT
    assert decoder.feed(b"\n" + LINE)[-1] == SENTENCE


def test_every_error_of_two_bits_is_caught() -> None:
    """All pairs of flipped bits in a line, sums and frame included, give no sentence with other numbers."""
    line = wire.encode(uptime_ms=61_000, counts=[907])
    wrong = []
    for first, second in itertools.combinations(range(len(line) * 8), 2):
        corrupt = bytearray(line)
        corrupt[first // 8] ^= 1 << first % 8
        corrupt[second // 8] ^= 1 << second % 8
        wrong += [
            event
            for event in decode(bytes(corrupt) + b"\n")
            if isinstance(event, wire.Sentence) and event != decode(line)[0]
        ]

    assert wrong == []


@given(sentences, st.data())
def test_two_flipped_bits_never_give_a_wrong_count(sentence: wire.Sentence, data: st.DataObject) -> None:
    """Two flipped bits anywhere in a sentence of any length leave the right sentence or none."""
    line = bytearray(encoded(sentence))
    for bit in data.draw(st.lists(st.integers(0, len(line) * 8 - 1), min_size=2, max_size=2, unique=True)):
        line[bit // 8] ^= 1 << bit % 8

    assert all(event == sentence for event in decode(bytes(line) + b"\n") if isinstance(event, wire.Sentence))


def framed(body: bytes) -> bytes:
    """A line with both sums right around any body."""
    body += b",%04X" % wire.crc_of(body + b",")
    return b"$%s*%02X\r\n" % (body, wire.checksum_of(body))


@pytest.mark.parametrize(
    "body",
    [
        b"PCLB,60,1,+5,0",
        b"PCLB,60,1, 5,0",
        b"PCLB,60,1,1_0,0",
        b"PCLB,60,1,-1,0",
        b"PCLB,60,1,4294967296,0",
        b"PCLB,4294967296,1,5,0",
        b"PCLB,60,0,5,0",
        b"PCLB,60,1,5",
        b"PCLB,60,1",
        b"PCLB,6.0001,1,5,0",
        b"PCLB,60,1,5,0" + b",1,0" * 16,
    ],
)
def test_right_sums_around_wrong_fields(body: bytes) -> None:
    """Numbers that Python would read but the format does not carry are refused, though both sums are right."""
    assert [event.reason for event in decode(framed(body)) if isinstance(event, wire.Garbage)] == [wire.Reason.FIELDS]


def test_other_sentence_is_named() -> None:
    """Another device's sentence is told apart from a damaged one of ours."""
    events = decode(b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n")

    assert [event.reason for event in events if isinstance(event, wire.Garbage)] == [wire.Reason.NOT_OURS]


def test_damage_is_named() -> None:
    """One changed digit breaks the checksum; with the checksum made good, the CRC still holds."""
    damaged = LINE.replace(b"20311", b"20310")
    body = damaged[1 : damaged.index(b"*")]
    mended = b"$%s*%02X\r\n" % (body, wire.checksum_of(body))

    assert [event.reason for event in decode(damaged) if isinstance(event, wire.Garbage)] == [wire.Reason.CHECKSUM]
    assert [event.reason for event in decode(mended) if isinstance(event, wire.Garbage)] == [wire.Reason.CRC]


def test_lower_case_sums_are_refused() -> None:
    """The sums are written in capitals; a case flipped by noise is noise."""
    assert SENTENCE not in decode(LINE.replace(b"E192", b"e192"))


def test_what_cannot_be_carried_is_not_encoded() -> None:
    """A count beyond 32 bits is an error of the caller."""
    with pytest.raises(ValueError, match="no sentence can carry"):
        wire.encode(uptime_ms=0, counts=[wire.MAX_COUNT + 1])


VALUES_LINE = wire.encode_values(uptime_ms=86_400_000, values=[21.43, 48.5])
values = st.one_of(
    st.none(), st.decimals("-999999999", "999999999", places=6).map(float), st.integers(-999_999_999, 999_999_999)
)


def test_example_of_values_is_what_is_sent() -> None:
    """The line of the documentation; its sums are those of the other sentence."""
    assert wire.__doc__ is not None
    assert VALUES_LINE.decode().strip() in wire.__doc__
    assert decode(VALUES_LINE) == [wire.Values(uptime_ms=86_400_000, first_channel=1, values=(21.43, 48.5))]


@given(st.lists(values, min_size=1, max_size=wire.MAX_CHANNELS), st.integers(0, 10**9), st.integers(1, 99))
def test_values_come_back(shown: list[float | None], uptime_ms: int, first: int) -> None:
    """To a millionth; a channel without a value has none; glued to counts, both are read."""
    line = wire.encode_values(uptime_ms=uptime_ms, values=shown, first_channel=first)

    read, sentence = decode(line + LINE)

    assert isinstance(read, wire.Values)
    assert (read.uptime_ms, read.first_channel, sentence) == (uptime_ms, first, SENTENCE)
    assert [value is None for value in read.values] == [value is None for value in shown]
    for value, wanted in zip(read.values, shown, strict=True):
        assert value is None or value == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize(
    "shown", ["nan", "inf", "-inf", "1e3", "+4", "4.", ".5", "--4", "4.1234567", "1234567890", " 4", "0x4"]
)
def test_what_is_no_value(shown: str) -> None:
    """Whole and with right sums, but not as values are written."""
    body = f"PCLG,5,1,{shown},".encode()
    body += b"%04X" % wire.crc_of(body)

    (event,) = decode(b"$%s*%02X\r\n" % (body, wire.checksum_of(body)))

    assert isinstance(event, wire.Garbage)
    assert event.reason is wire.Reason.FIELDS


def test_no_damage_of_one_or_two_bytes_passes_as_values() -> None:
    """Every byte of the line made another one, alone and with its neighbour."""
    body = VALUES_LINE.rstrip(b"\r\n")
    for place in range(len(body)):
        for flip in range(1, 256):
            damaged = bytearray(body)
            damaged[place] ^= flip
            assert not any(isinstance(event, wire.Values) for event in decode(bytes(damaged) + b"\n")), damaged

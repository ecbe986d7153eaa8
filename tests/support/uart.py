"""What a receiver makes of bytes that were sent at another baud rate: 8N1 sampled as a UART samples it."""

from collections.abc import Iterator


def heard_at(data: bytes, *, sent_baud: int, heard_baud: int) -> bytes:
    """The bytes that come out of a receiver set to `heard_baud`, those with a wrong stop bit too, as raw ports give them.

    A frame is a start bit (0), eight data bits, least significant first, and a stop bit (1); the line rests at 1. The
    receiver waits for a falling edge and samples in the middle of each of its own bits.
    """
    levels = [*_levels(data), *[1] * 20]
    return bytes(_received(levels, bits_a_bit=sent_baud / heard_baud))


def _levels(data: bytes) -> Iterator[int]:
    """The line, one level for each bit of the sender."""
    for byte in data:
        yield from (0, *(byte >> bit & 1 for bit in range(8)), 1)


def _received(levels: list[int], *, bits_a_bit: float) -> Iterator[int]:
    """Byte by byte; times are in bits of the sender."""
    steps_a_bit = 16
    at = 0.0
    while True:
        edge = next((at + step / steps_a_bit for step in range(steps_a_bit * len(levels))
                     if _level(levels, at + step / steps_a_bit) == 0), None)  # fmt: skip
        if edge is None or edge >= len(levels):
            return
        samples = [_level(levels, edge + (bit + 0.5) * bits_a_bit) for bit in range(10)]
        if samples[0] == 1:  # a glitch shorter than half a bit of ours
            at = edge + 0.5 * bits_a_bit
            continue
        yield sum(level << bit for bit, level in enumerate(samples[1:9]))
        at = edge + 9.5 * bits_a_bit
        while _level(levels, at) == 0 and at < len(levels):  # the next frame begins at an edge, not in a low level
            at += 1 / steps_a_bit


def _level(levels: list[int], at: float) -> int:
    """The level at a moment; beyond the end the line rests."""
    return levels[int(at)] if at < len(levels) else 1

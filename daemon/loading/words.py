"""Text as 64-bit words, so that numpy reads a whole chunk of lines at once.

A word holds eight neighbouring bytes, the first of them lowest. Digits are then checked and turned into numbers
eight at a time, the usual arithmetic inside a register (SIMD within a register).
"""

import sys

import numpy as np
from numpy.typing import NDArray

from analysis.frames import Ints

Words = NDArray[np.uint64]
Mask = NDArray[np.bool_]

PAD = 512
"""Bytes to lay before and behind a text, so that words may be read at any place of it, as many as a meter's name has."""

if sys.byteorder != "little":
    raise ImportError("log files can only be read on a little-endian machine")

_U = np.uint64
_ZEROS = _U(0x3030303030303030)
_SIXES = _U(0x0606060606060606)
_HIGH = _U(0xF0F0F0F0F0F0F0F0)
_ABOVE_NINE = _U(0x7676767676767676)  # added to a byte of 10 and more, it sets the highest bit
_HIGHEST = _U(0x8080808080808080)


class Text:
    """A text with `PAD` bytes on either side, to be read by words. Places are counted with the padding."""

    def __init__(self, padded: bytes) -> None:
        """`padded` is the text with its padding, as `pad` gives it."""
        self.bytes = np.frombuffer(padded, dtype=np.uint8)
        self._padded = padded

    def words(self, at: Ints) -> Words:
        """The words that start at these places, [N]."""
        return self.neighbours(at, 1)[0]

    def neighbours(self, at: Ints, count: int) -> list[Words]:
        """`count` words one after the other from each of these places on, a list of [N]: they are fetched together."""
        width = 8 * count
        spots = np.ndarray(shape=(len(self._padded) - width + 1,), dtype=f"V{width}", buffer=self._padded, strides=(1,))
        found = spots[at].view("<u8").reshape(-1, count)
        return [found[:, number] for number in range(count)]


def pad(*pieces: bytes) -> bytes:
    """Pieces of a text as one, with padding on either side."""
    padding = bytes(PAD)
    return b"".join([padding, *pieces, padding])


def unpadded(padded: bytes) -> bytes:
    """The text between the padding."""
    return padded[PAD:-PAD]


def first_bytes(words: Words, kept: Ints) -> Words:
    """The first `kept` bytes of each word, moved to its end, zeros before them; of none or fewer all zeros."""
    # a word that is moved by its whole width or more is zero
    return words << (np.maximum(8 - kept, 0) << 3).view(np.uint64)


def all_digits(words: Words, at: int = 0xFFFFFFFFFFFFFFFF) -> Mask:
    """Whether the bytes under the mask `at` (0xFF for a byte to look at) are all digits."""
    high = _U(at) & _HIGH
    zeros = _U(at) & _ZEROS
    return np.asarray(((words & high) == zeros) & (((words + (_U(at) & _SIXES)) & high) == zeros), dtype=np.bool_)


def digit(words: Words, place: int) -> Ints:
    """The digit in one byte of each word."""
    return ((words >> _U(8 * place)) & _U(0x0F)).astype(np.int64)


def whole_numbers(text: Text, start: Ints, end: Ints) -> tuple[Ints, Mask]:
    """Whole numbers of 1 to 16 digits.

    Args:
        text: what they stand in.
        start: places of the first digits.
        end: places after the last digits.

    Returns:
        The numbers and which of them are numbers at all.
    """
    length = end - start
    good = (length >= 1) & (length <= 16)  # noqa: PLR2004 - two words
    value, digits = _eight_digits(text.words(end - 8), length)
    if (length > 8).any():  # noqa: PLR2004 - one word
        upper, upper_digits = _eight_digits(text.words(end - 16), length - 8)
        value = value + upper * 100_000_000
        digits &= upper_digits
    return value, good & digits


def _eight_digits(words: Words, kept: Ints) -> tuple[Ints, Mask]:
    """The number in the last `kept` bytes of each word, in all of it for more than eight, 0 for none."""
    others = (np.maximum(8 - kept, 0) << 3).view(np.uint64)
    digits = ((words ^ _ZEROS) >> others) << others
    good = (((digits + _ABOVE_NINE) | digits) & _HIGHEST) == 0
    pairs = digits * _U(10) + (digits >> _U(8))
    low = (pairs & _U(0x000000FF000000FF)) * _U(0x000F424000000064)
    high = ((pairs >> _U(16)) & _U(0x000000FF000000FF)) * _U(0x0000271000000001)
    return ((low + high) >> _U(32)).view(np.int64), np.asarray(good, dtype=np.bool_)

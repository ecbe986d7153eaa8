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

PAD = 32
"""Bytes to lay before and behind a text, so that a word may be read at any place of it."""

if sys.byteorder != "little":
    raise ImportError("log files can only be read on a little-endian machine")

_U = np.uint64
_ZEROS = _U(0x3030303030303030)
_SIXES = _U(0x0606060606060606)
_HIGH = _U(0xF0F0F0F0F0F0F0F0)
_FIRST = np.array([(1 << (8 * kept)) - 1 for kept in range(9)], dtype=np.uint64)  # mask of the first 0..8 bytes


class Text:
    """A text with `PAD` bytes on either side, to be read by words."""

    def __init__(self, data: bytes) -> None:
        padding = bytes(PAD)
        padded = b"".join([padding, data, padding])
        self.bytes = np.frombuffer(padded, dtype=np.uint8)
        self._words = np.ndarray(shape=(len(padded) - 7,), dtype="<u8", buffer=padded, strides=(1,))

    def words(self, at: Ints) -> Words:
        """The words that start at these places (counted with the padding), [N]."""
        return self._words[at]


def first_bytes(words: Words, kept: Ints) -> Words:
    """The words with all but their first `kept` (0..8) bytes cleared."""
    return words & _FIRST[kept]


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
    value, digits = _eight_digits(text.words(end - 8), np.clip(length, 0, 8))
    if (length > 8).any():  # noqa: PLR2004 - one word
        upper, upper_digits = _eight_digits(text.words(end - 16), np.clip(length - 8, 0, 8))
        value = value + upper * 100_000_000
        digits &= upper_digits
    return value, good & digits


def _eight_digits(words: Words, kept: Ints) -> tuple[Ints, Mask]:
    """The number in the last `kept` bytes of each word."""
    others = _FIRST[8 - kept]
    words = (words & ~others) | (_ZEROS & others)
    good = all_digits(words)
    pairs = words - _ZEROS
    pairs = pairs * _U(10) + (pairs >> _U(8))
    low = (pairs & _U(0x000000FF000000FF)) * _U(0x000F424000000064)
    high = ((pairs >> _U(16)) & _U(0x000000FF000000FF)) * _U(0x0000271000000001)
    return ((low + high) >> _U(32)).astype(np.int64), good

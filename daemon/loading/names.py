"""Meter names in a text -> columns, all at once."""

from collections.abc import Mapping

import numpy as np

from analysis.frames import Ints
from daemon.loading.words import PAD, Mask, Text, Words, first_bytes

_SPREAD = 0x9E3779B97F4A7C15  # an odd number that spreads bits well


class MeterNames:
    """The names that a log file may use."""

    def __init__(self, columns: Mapping[str, int]) -> None:
        encoded = {name.encode(): column for name, column in columns.items()}
        longest = max((len(name) for name in encoded), default=1)
        self._count = -(-longest // 8)
        names = list(encoded)
        text = Text(b"".join(name.ljust(8 * self._count, b"\0") for name in names))
        starts = PAD + np.arange(len(names), dtype=np.int64) * 8 * self._count
        lengths = np.array([len(name) for name in names], dtype=np.int64)
        words = self._words(text, starts, lengths)
        keys = _keys(words, lengths)
        order = np.argsort(keys)
        self._keys = keys[order]
        self._known = [word[order] for word in words]
        self._lengths = lengths[order]
        self._columns = np.array(list(encoded.values()), dtype=np.int64)[order]

    def columns(self, text: Text, start: Ints, end: Ints) -> tuple[Ints, Mask]:
        """Columns of the names that stand between two places of a text, and which of the names are known.

        A name is compared whole: the key only finds the one to compare it with.
        """
        length = end - start
        fits = (length >= 1) & (length <= 8 * self._count)
        length = np.where(fits, length, 0)
        words = self._words(text, start, length)
        found = np.minimum(np.searchsorted(self._keys, _keys(words, length)), len(self._keys) - 1)
        good = fits & (self._lengths[found] == length)
        for word, known in zip(words, self._known, strict=True):
            good &= known[found] == word
        return self._columns[found], good

    def _words(self, text: Text, start: Ints, length: Ints) -> list[Words]:
        """Each name as words, zeros behind its end; one array a word."""
        inside = len(text.bytes) - 8
        return [
            first_bytes(text.words(np.minimum(start + 8 * number, inside)), np.clip(length - 8 * number, 0, 8))
            for number in range(self._count)
        ]


def _keys(words: list[Words], lengths: Ints) -> Words:
    """One number for each name; equal names have equal ones."""
    keys = lengths.astype(np.uint64)
    for word in words:
        keys = (keys ^ word) * np.uint64(_SPREAD)
        keys ^= keys >> np.uint64(29)
    return keys

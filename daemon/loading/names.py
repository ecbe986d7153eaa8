"""Meter names in a text -> columns, all at once."""

from collections.abc import Mapping

import numpy as np

from analysis.frames import Ints
from daemon.loading.words import PAD, Mask, Text, Words, first_bytes, pad

_SPREAD = 0x9E3779B97F4A7C15  # an odd number that spreads bits well


class MeterNames:
    """The names that a log file may use."""

    def __init__(self, columns: Mapping[str, int]) -> None:
        encoded = {name.encode(): column for name, column in columns.items()}
        # a name that may reach out of the text is unknown here, and its lines are read one by one
        encoded = {name: column for name, column in encoded.items() if len(name) <= PAD}
        longest = max((len(name) for name in encoded), default=1)
        self._count = -(-longest // 8)
        names = list(encoded)
        text = Text(pad(b"".join(name.ljust(8 * self._count, b"\0") for name in names)))
        starts = PAD + np.arange(len(names), dtype=np.int64) * 8 * self._count
        lengths = np.array([len(name) for name in names], dtype=np.int64)
        words = self._words(text, starts, lengths)
        keys = _keys(words)
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
        words = self._words(text, start, length)
        found = np.minimum(np.searchsorted(self._keys, _keys(words)), len(self._keys) - 1)
        good = self._lengths.take(found) == length
        for word, known in zip(words, self._known, strict=True):
            good &= known.take(found) == word
        return self._columns.take(found), good

    def _words(self, text: Text, start: Ints, length: Ints) -> list[Words]:
        """Each name as words, without what stands behind its end; one array a word."""
        words = text.neighbours(start, self._count)
        return [first_bytes(word, length - 8 * number) for number, word in enumerate(words)]


def _keys(words: list[Words]) -> Words:
    """One number for each name; equal names have equal ones."""
    keys = words[0]
    for word in words[1:]:
        keys = (keys * np.uint64(_SPREAD)) ^ word
    return keys

"""What the bytes of a port say about the port: wrong baud rate, wrong device, a second reader, a bad cable. No I/O."""

import collections
from collections.abc import Sequence
from enum import Enum

ENOUGH_BYTES = 256
"""Without a single good sentence in so many bytes it is not a bad start any more: some four sentences."""
ODD_SHARE = 0.05
"""Text has no bytes outside the printable ones; at a wrong baud rate far more than this share are."""
LOOK_BACK = 40
ENOUGH_LINES = 10
BAD_SHARE, GOOD_SHARE = 0.25, 0.05
"""Shares of damaged lines at which a port is called bad, and good again; between them it stays what it was."""
_TEXT = bytes(range(0x20, 0x7F)) + b"\r\n\t"


class Quality(Enum):
    """What comes out of a port."""

    GOOD = "sentences"
    NOISE = "bytes that are no text"
    FOREIGN = "text that is no sentence of ours"
    DAMAGED = "sentences, but many of them damaged"


class LineQuality:
    """Follows what a port brings; one for each time that it is opened."""

    def __init__(self) -> None:
        self.now = Quality.GOOD
        self._lines: collections.deque[bool] = collections.deque(maxlen=LOOK_BACK)
        self._bytes = 0
        self._odd = 0

    def take(self, data: bytes, lines: Sequence[bool]) -> Quality:
        """Note bytes, and whether each line that they completed, in order, is a good sentence; how the port is now."""
        if True in lines and self._bytes >= ENOUGH_BYTES:
            self._lines.clear()  # what came before the first sentence was another state, and not damage
            lines = lines[lines.index(True) :]
            self.now = Quality.GOOD
        self._lines.extend(lines)
        if True in lines:
            self._bytes = self._odd = 0
        else:
            self._bytes += len(data)
            self._odd += len(data.translate(None, _TEXT))
        self.now = self._judged()
        return self.now

    def _judged(self) -> Quality:
        if self._bytes >= ENOUGH_BYTES:
            return Quality.NOISE if self._odd > ODD_SHARE * self._bytes else Quality.FOREIGN
        if len(self._lines) < ENOUGH_LINES:
            return self.now
        bad_share = self._lines.count(False) / len(self._lines)
        if bad_share >= BAD_SHARE:
            return Quality.DAMAGED
        return Quality.GOOD if bad_share <= GOOD_SHARE or self.now is not Quality.DAMAGED else self.now

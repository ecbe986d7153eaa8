"""The parts of hours as the database keeps them: to bytes and back. Imports numpy: not for the always-on process."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.frames import HOUR_S, Ints
from analysis.pulses import PARTS, DayHours

_PULSES, _KNOWN = ("pulses", "<f4", PARTS), ("known_s", "<u2", PARTS)
PARTS_KEPT = np.dtype([_PULSES, ("seconds", "<f4", PARTS), _KNOWN])
"""The parts of an hour."""
_RAN_ON = np.dtype([_PULSES, _KNOWN])
"""The parts of an hour all of which was counted, as most are: their seconds need no room."""
_WHOLE_S = HOUR_S / PARTS


def packed_parts(hours: DayHours, hour: Ints, column: Ints) -> list[bytes]:
    """The parts of some hours and meters, [N] each, as the database keeps them."""
    parts = np.empty(len(hour), dtype=PARTS_KEPT)
    parts["pulses"] = hours.part_pulses[hour, :, column]
    parts["seconds"] = hours.part_seconds[hour, :, column]
    parts["known_s"] = hours.known_s[hour]
    whole = (parts["seconds"] == _WHOLE_S).all(axis=1)
    short = np.empty(len(hour), dtype=_RAN_ON)
    short["pulses"], short["known_s"] = parts["pulses"], parts["known_s"]
    long_texts, short_texts = _texts(parts), _texts(short)
    return [short_texts[row] if ran_on else long_texts[row] for row, ran_on in enumerate(whole.tolist())]


def _texts(records: NDArray[np.void]) -> list[bytes]:
    """Records one by one."""
    text, length = records.tobytes(), records.dtype.itemsize
    return [text[at : at + length] for at in range(0, len(text), length)]


def unpacked_parts(kept: Sequence[bytes | None]) -> NDArray[np.void]:
    """What `packed_parts` kept, [N] of PARTS_KEPT; nothing but zeros where there is None."""
    parts = np.zeros(len(kept), dtype=PARTS_KEPT)
    lengths = np.array([len(text or b"") for text in kept], dtype=np.int64)
    for form in (PARTS_KEPT, _RAN_ON):
        which = np.flatnonzero(lengths == form.itemsize)
        records = np.frombuffer(b"".join([kept[row] or b"" for row in which.tolist()]), dtype=form)
        for name in form.names or ():
            parts[name][which] = records[name]
        if "seconds" not in (form.names or ()):
            parts["seconds"][which] = _WHOLE_S
    return parts

"""What a meter's newest rows tell: how fast it counts, and from when on it is silent. Works without numpy."""

import itertools
import statistics
from collections.abc import Sequence

from daemon.latest import end_ms
from daemon.store.merging import MinuteRow

SILENT_S = 600.0
"""A meter with a source that has said nothing for longer is silent, whatever its flow."""
SILENT_INTERVALS, SILENT_MOST_S = 2.5, 2100.0
"""One that is slow by its way, for so many of its usual intervals, this at the most: the analysis bridges as much."""
USUAL_OF, FEWEST_OF = 7, 3
"""The usual interval is the middle one between so many of the newest rows; fewer tell none."""
ENOUGH_MS = 20_000


def silent_after_s_of(rows: Sequence[MinuteRow]) -> float:
    """From when on a meter with these newest rows is silent."""
    if len(rows) < FEWEST_OF:
        return SILENT_S
    usual_ms = statistics.median_low(end_ms(later) - end_ms(row) for later, row in itertools.pairwise(rows))
    return min(max(SILENT_S, SILENT_INTERVALS * usual_ms / 1000), SILENT_MOST_S)


def rate_hz_of(rows: Sequence[MinuteRow], bits: int, *, longest_ms: float) -> float | None:
    """Pulses a second from the newest row, reaching back to the one before if it is short."""
    if not rows:
        return None
    newest = rows[0]
    if newest.span_ms >= ENOUGH_MS or (len(rows) == 1 and newest.span_ms > 0):
        return newest.pulses * 1000 / newest.span_ms
    if len(rows) == 1 or newest.restart:
        return None
    elapsed_ms = end_ms(newest) - end_ms(rows[1])
    wrapped = newest.counted < rows[1].counted and bits == 16  # noqa: PLR2004 - the narrow counters wrap every few minutes
    if newest.counted < rows[1].counted and not wrapped:
        return None
    if not 0 < elapsed_ms <= longest_ms:
        return None
    return (newest.counted - rows[1].counted) % (1 << bits) * 1000 / elapsed_ms

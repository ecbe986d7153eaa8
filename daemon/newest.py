"""What a meter's newest rows tell: how fast it counts, and from when on it is silent. Works without numpy."""

import itertools
import statistics
from collections.abc import Sequence

from analysis.patience import FEWEST_INTERVALS, GAP_S, LONGEST_GAP_S, PATIENCE, USUAL_OF
from daemon.latest import end_ms
from daemon.store.merging import MinuteRow

NEWEST = USUAL_OF + 1
"""So many rows tell the usual interval."""
ENOUGH_MS = 20_000


def silent_after_s_of(rows: Sequence[MinuteRow]) -> float:
    """From when on a meter with these newest rows is silent: once nobody knows any more how the pump ran."""
    if len(rows) <= FEWEST_INTERVALS:
        return GAP_S
    usual_ms = statistics.median_low(end_ms(later) - end_ms(row) for later, row in itertools.pairwise(rows))
    return min(max(GAP_S, PATIENCE * usual_ms / 1000), LONGEST_GAP_S)


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

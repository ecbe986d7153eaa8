"""What a load brought, counted while it runs."""

from dataclasses import dataclass, field

import numpy as np

from analysis.frames import Ints
from analysis.pulses import GAP_S, WRAP_SLACK
from daemon.loading.lines import MINUTE_MS, Readings
from daemon.loading.sums import MinuteRows
from daemon.loading.words import Mask
from daemon.store.ordering import stable_order

SAMPLE = 1000
"""Steps between rows that a meter's usual rate is taken from."""
_NEVER = np.iinfo(np.int64).min


@dataclass(slots=True, kw_only=True)
class FileTally:
    """What one log file held.

    Attributes:
        lines: lines after the header; readings: those that say something new; doubled: those that repeat a reading.
        late: readings that stand behind a later one of the same meter.
        restarts: times that a device's counter began anew; wraps: times that it ran over.
        gaps: spans of more than GAP_S seconds between a meter's readings; gap_s: their lengths together.
        rejected: refused lines by reason.
        damage: what is wrong with a compressed file.
        already_loaded: whether the same content was in the database, so that nothing was done.
        first_ms, last_ms: UTC epoch ms of the first and the last reading.
    """

    name: str
    lines: int = 0
    readings: int = 0
    doubled: int = 0
    late: int = 0
    restarts: int = 0
    wraps: int = 0
    gaps: int = 0
    gap_s: float = 0.0
    rejected: dict[str, int] = field(default_factory=dict)
    damage: str | None = None
    already_loaded: bool = False
    meters: tuple[str, ...] = ()
    first_ms: int | None = None
    last_ms: int | None = None

    @property
    def refused(self) -> int:
        """Refused lines, all reasons."""
        return sum(self.rejected.values())


class Counter:
    """Counts over the chunks of one file, meter by meter."""

    def __init__(self, tally: FileTally, bits: Ints) -> None:
        """`bits`: [M] width of each meter's counter."""
        self._tally = tally
        self._width = np.left_shift(np.int64(1), bits)
        self._newest_ms = np.full(len(bits), _NEVER)
        self._end_ms = np.full(len(bits), _NEVER)
        self._counted = np.zeros(len(bits), dtype=np.int64)
        self._rate_mhz = np.zeros(len(bits), dtype=np.int64)
        self.seen = np.zeros(len(bits), dtype=np.bool_)

    def count_lines(self, readings: Readings) -> None:
        """Count late readings of a chunk in file order, and note the span of time."""
        if not len(readings):
            return
        first, last = int(readings.at_ms.min()), int(readings.at_ms.max())
        self._tally.first_ms = first if self._tally.first_ms is None else min(first, self._tally.first_ms)
        self._tally.last_ms = last if self._tally.last_ms is None else max(last, self._tally.last_ms)
        in_time = bool((np.diff(readings.at_ms) >= 0).all()) and first >= int(self._newest_ms.max())
        for column in np.flatnonzero(np.bincount(readings.column, minlength=len(self.seen))).tolist():
            self.seen[column] = True
            if in_time:
                self._newest_ms[column] = last
                continue
            at_ms = readings.at_ms[readings.column == column]
            newest = np.maximum.accumulate(np.concatenate([self._newest_ms[column : column + 1], at_ms]))
            self._tally.late += int(np.count_nonzero(at_ms < newest[:-1]))
            self._newest_ms[column] = newest[-1]

    def count_rows(self, rows: MinuteRows) -> None:
        """Count restarts, wraps and gaps between the minute rows of a chunk."""
        order = stable_order(rows.column)  # each column's rows stay in order of time
        end_ms = (rows.minute * MINUTE_MS + rows.at_ms)[order]
        first_ms = end_ms - rows.span_ms[order] if rows.span_ms.any() else end_ms
        counted = rows.counted[order]
        first_count = counted - rows.pulses[order] if rows.pulses.any() else counted
        told = rows.restart[order] == 1
        ends = np.cumsum(np.bincount(rows.column, minlength=len(self.seen)))
        for column in np.flatnonzero(np.diff(ends, prepend=0)).tolist():
            start, end = int(ends[column - 1]) if column else 0, int(ends[column])
            before_ms = np.concatenate([self._end_ms[column : column + 1], end_ms[start : end - 1]])
            before = np.concatenate([self._counted[column : column + 1], counted[start : end - 1]])
            elapsed_ms = first_ms[start:end] - before_ms
            if before_ms[0] == _NEVER:
                elapsed_ms[0] = 0
            self._count_steps(column, elapsed_ms, first_count[start:end] - before, told[start:end])
            self._end_ms[column] = max(int(end_ms[end - 1]), int(self._end_ms[column]))
            self._counted[column] = counted[end - 1]

    def _count_steps(self, column: int, elapsed_ms: Ints, step: Ints, told: Mask) -> None:
        """One meter's steps from row to row, in order of time; `told`: a restart is known.  All [N]."""
        gaps = elapsed_ms > GAP_S * 1000
        self._tally.gaps += int(np.count_nonzero(gaps))
        self._tally.gap_s += float(elapsed_ms[gaps].sum()) / 1000
        self._tally.restarts += int(np.count_nonzero(told))
        usual_mhz = self._rate_mhz[column]
        self._rate_mhz[column] = _median_rate_mhz(step, elapsed_ms) or usual_mhz
        usual_mhz = usual_mhz or self._rate_mhz[column]
        backward = np.flatnonzero((step < 0) & (elapsed_ms > 0) & ~told)
        at_most = 2 * usual_mhz * (elapsed_ms[backward] / 1e6) + WRAP_SLACK
        wrapped = step[backward] + self._width[column]
        # after so long that it may have gone round unseen, a count that fell tells nothing
        wraps = (wrapped <= at_most) & (at_most <= self._width[column])
        self._tally.wraps += int(np.count_nonzero(wraps))
        self._tally.restarts += int(np.count_nonzero(wrapped > at_most))


def _median_rate_mhz(step: Ints, elapsed_ms: Ints) -> int:
    """Median of the forward rates, thousandths of a pulse a second, 0 without any.

    Of a sample, for all it does is to tell wraps from restarts.
    """
    every = -(-len(step) // SAMPLE)
    step, elapsed_ms = step[::every], elapsed_ms[::every]
    forward = (elapsed_ms > 0) & (step >= 0)
    rates = np.sort(step[forward] * 1_000_000 // elapsed_ms[forward])
    return int(rates[len(rates) // 2]) if len(rates) else 0

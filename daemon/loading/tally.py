"""What a load brought, counted while it runs."""

from dataclasses import dataclass, field

import numpy as np

from analysis.frames import Ints
from analysis.patience import GAP_S, USUAL_OF
from analysis.timeline import WRAP_SLACK, patience_ms_of
from daemon.loading.lines import MINUTE_MS, Readings
from daemon.loading.sums import MinuteRows
from daemon.store.ordering import stable_order

SAMPLE = 1000
"""Steps between rows that a meter's usual rate is taken from."""
_NEVER = np.iinfo(np.int64).min


@dataclass(slots=True, kw_only=True)
class Tally:
    """What one file held.

    Attributes:
        lines: lines after the header; accepted: those that say something new; doubled: those that repeat another.
        rejected: refused lines by reason.
        damage: what is wrong with a compressed file.
        already_loaded: whether the same content was in the database, so that nothing was done.
        first_ms, last_ms: UTC epoch ms of the first and the last line that was accepted.
        too_late: accepted lines that change nothing: the minutes of their hour were dropped, and it knows more than they
            do. Told once everything of a call is in.
    """

    name: str
    lines: int = 0
    accepted: int = 0
    doubled: int = 0
    rejected: dict[str, int] = field(default_factory=dict)
    damage: str | None = None
    already_loaded: bool = False
    first_ms: int | None = None
    last_ms: int | None = None
    too_late: int = 0

    @property
    def refused(self) -> int:
        """Refused lines, all reasons."""
        return sum(self.rejected.values())


@dataclass(slots=True, kw_only=True)
class FileTally(Tally):
    """What one log file held.

    Attributes:
        late: readings that stand behind a later one of the same meter.
        restarts: times that a device's counter began anew; wraps: times that it ran over.
        gaps: silences of a meter that are too long to know its flow in; gap_s: their lengths together.
        meters: those that it speaks of.
    """

    late: int = 0
    restarts: int = 0
    wraps: int = 0
    gaps: int = 0
    gap_s: float = 0.0
    meters: tuple[str, ...] = ()


class Counter:
    """Counts over the chunks of one file, meter by meter."""

    def __init__(self, tally: FileTally, bits: Ints) -> None:
        """`bits`: [M] width of each meter's counter."""
        self._tally = tally
        self._width = np.left_shift(np.int64(1), bits)
        self._newest_ms = np.full(len(bits), _NEVER)
        self._end_ms = np.full(len(bits), _NEVER)
        self._counted = np.zeros(len(bits), dtype=np.int64)
        self._before: dict[int, tuple[Ints, Ints]] = {}  # each meter's steps of the last chunk: pulses, ms
        self._last: dict[int, tuple[Ints, Ints]] = {}  # each meter's last rows: times of their first and last readings
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
        plain = not (rows.span_ms.any() or rows.pulses.any())
        sides = (rows.minute * MINUTE_MS + rows.at_ms, rows.counted)
        # each column's rows stay in order of time
        order = stable_order(rows.column)
        end_ms, counted, *within = (
            side.take(order) for side in (*sides, *(() if plain else (rows.span_ms, rows.pulses)))
        )
        counts = np.bincount(rows.column, minlength=len(self.seen))
        there = np.flatnonzero(counts)
        ends = np.cumsum(counts[there])
        starts = ends - counts[there]
        first_ms, first_count = (end_ms, counted) if plain else (end_ms - within[0], counted - within[1])
        known = self._end_ms[there] != _NEVER
        elapsed_ms = _steps(first_ms, end_ms, starts, np.where(known, self._end_ms[there], first_ms[starts]))
        step = _steps(first_count, counted, starts, self._counted[there])
        self._tally.restarts += int(np.count_nonzero(rows.restart))
        backward = np.flatnonzero(step < 0)
        backward = backward[(elapsed_ms[backward] > 0) & (rows.restart[order[backward]] == 0)]
        spans = dict(zip(there.tolist(), map(slice, starts.tolist(), ends.tolist()), strict=True))
        for column, span in spans.items():
            self._count_gaps(column, first_ms[span], end_ms[span])
        for column in np.unique(rows.column[order[backward]]).tolist():
            span = spans[column]
            mine = backward[(backward >= span.start) & (backward < span.stop)]
            self._judge_backward(column, step[mine], elapsed_ms[mine], (step[span], elapsed_ms[span]))
        self._before = {**self._before, **{column: (step[span], elapsed_ms[span]) for column, span in spans.items()}}
        self._end_ms[there] = np.maximum(end_ms[ends - 1], self._end_ms[there])
        self._counted[there] = counted[ends - 1]

    def _count_gaps(self, column: int, first_ms: Ints, end_ms: Ints) -> None:
        """Count one meter's silences before its rows, [N], that are too long for anybody to know how the pump ran."""
        before = self._last.get(column)
        if before is not None:
            first_ms, end_ms = np.concatenate([before[0], first_ms]), np.concatenate([before[1], end_ms])
        self._last[column] = (first_ms[-USUAL_OF - 1 :].copy(), end_ms[-USUAL_OF - 1 :].copy())
        elapsed_ms = first_ms[1:] - end_ms[:-1]
        elapsed_ms[: 0 if before is None else len(before[0]) - 1] = 0  # counted already
        if not (elapsed_ms > GAP_S * 1000).any():
            return
        patience_ms = patience_ms_of(np.full(len(first_ms), column), first_ms, end_ms)
        gaps = elapsed_ms > patience_ms[:-1]
        self._tally.gaps += int(np.count_nonzero(gaps))
        self._tally.gap_s += float(elapsed_ms[gaps].sum()) / 1000

    def _judge_backward(self, column: int, step: Ints, elapsed_ms: Ints, now: tuple[Ints, Ints]) -> None:
        """Tell wraps from restarts among one meter's backward steps; `now`: all its steps of the chunk."""
        usual_mhz = _median_rate_mhz(*self._before.get(column, now)) or _median_rate_mhz(*now)
        at_most = 2 * usual_mhz * (elapsed_ms / 1e6) + WRAP_SLACK
        wrapped = step + self._width[column]
        # after so long that it may have gone round unseen, a count that fell tells nothing
        wraps = (wrapped <= at_most) & (at_most <= self._width[column])
        self._tally.wraps += int(np.count_nonzero(wraps))
        self._tally.restarts += int(np.count_nonzero(wrapped > at_most))


def _steps(first: Ints, last: Ints, starts: Ints, before: Ints) -> Ints:
    """From the end of each row to the beginning of the next of the same meter, [N].

    `first`, `last` [N]: of each row; `starts` [M]: where a meter's rows begin; `before` [M]: its end before them.
    """
    steps = np.empty_like(first)
    np.subtract(first[1:], last[:-1], out=steps[1:])
    steps[starts] = first[starts] - before
    return steps


def _median_rate_mhz(step: Ints, elapsed_ms: Ints) -> int:
    """Median of the forward rates, thousandths of a pulse a second, 0 without any.

    Of a sample, for all it does is to tell wraps from restarts.
    """
    every = -(-len(step) // SAMPLE)
    step, elapsed_ms = step[::every], elapsed_ms[::every]
    forward = (elapsed_ms > 0) & (step >= 0)
    rates = np.sort(step[forward] * 1_000_000 // elapsed_ms[forward])
    return int(rates[len(rates) // 2]) if len(rates) else 0

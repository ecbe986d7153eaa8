"""When was a reading taken? From the device's uptime, so that a burst of old lines is spread as it was counted.

A reading arrives no earlier than it was taken, so (arrival - uptime) is never earlier than the moment at which the
device started, and the least of these differences is the best estimate of it. That moment is kept on the monotonic
clock, where a step of the wall clock cannot move it; only the finished time is turned into UTC.
"""

import collections
import dataclasses
from collections.abc import Iterable, Mapping, Sequence

from daemon.readings import Dated, LastReading, Reading

SETTLE_MS = 2_000
"""A meter seen for the first time waits this long, so that all of a backlog is in before it is dated."""
JITTER_MS = 500
"""A fall of the estimated start by less than this is the jitter of arrivals, not more of a backlog."""
SLACK_MS = 2_000
CLOCK_ERROR = 0.1
"""How wrong a device's clock may be: the bare RC oscillator of a small microcontroller (from memory, no source)."""
BURST_MS = 500
"""Readings without uptime that come within this are a backlog that nothing can date: the last one stands for all."""
REMEMBERED = 64
"""Readings known again when a broker repeats them; more than brokers keep in flight."""


class Dater:
    """Dates the readings of all meters; one a collector.

    Attributes:
        doubled: readings dropped because they had been read before, by meter.
        restarts: restarts seen, by meter.
    """

    def __init__(self, remembered: Mapping[str, LastReading], *, wall_minus_steady_ms: int) -> None:
        self._devices = {
            meter: _Device(last.count, last.uptime_ms, last.at_ms - wall_minus_steady_ms)
            for meter, last in remembered.items()
        }
        self.doubled: collections.Counter[str] = collections.Counter()
        self.restarts: collections.Counter[str] = collections.Counter()

    def date(
        self, readings: Iterable[Reading], *, now_ms: int, wall_minus_steady_ms: int, settle: bool = True
    ) -> list[Dated]:
        """Date what has arrived.

        Args:
            readings: in order of arrival.
            now_ms: the monotonic clock now.
            wall_minus_steady_ms: UTC epoch milliseconds less the monotonic clock.
            settle: False dates everything at once (when stopping).

        Returns:
            Dated readings, in order for each meter; those of a meter that still settles come with a later call.
        """
        fresh: dict[str, list[Reading]] = collections.defaultdict(list)
        for reading in readings:
            fresh[reading.meter].append(reading)
        for meter in fresh:
            self._devices.setdefault(meter, _Device())
        dated: list[Dated] = []
        for meter, device in self._devices.items():
            device.take(fresh.get(meter, ()), now_ms=now_ms)
            if device.waiting and (device.settled(now_ms) or not settle):
                dated += device.release(meter, wall_minus_steady_ms)
            self.doubled[meter] += device.count_doubled()
        self.restarts.update(reading.meter for reading in dated if reading.restarted)
        return dated


class _Device:
    """What is known of the device behind one meter; all times on the monotonic clock."""

    def __init__(self, count: int | None = None, uptime_ms: int | None = None, at_ms: int = 0) -> None:
        self.count = count
        self.uptime_ms = uptime_ms
        self.at_ms = at_ms
        self.started_ms: int | None = None  # learnt anew in each run: the wall clock may have stepped in between
        self.waiting: list[Reading] = []
        self._dated = False
        self._fell_ms = 0
        self._least_ms: int | None = None
        self._seen: collections.deque[tuple[int | None, int]] = collections.deque(maxlen=REMEMBERED)
        self._doubled = 0

    def take(self, readings: Sequence[Reading], *, now_ms: int) -> None:
        """Let readings wait, except those read before."""
        for reading in readings:
            if self._is_doubled(reading):
                self._doubled += 1
                continue
            self._seen.append((reading.uptime_ms, reading.count))
            if reading.uptime_ms is None:
                self._take_undated(reading)
                continue
            self.waiting.append(reading)
            start_ms = reading.arrival_ms - reading.uptime_ms
            if self._least_ms is None or start_ms < self._least_ms - JITTER_MS:
                self._fell_ms = now_ms
            self._least_ms = start_ms if self._least_ms is None else min(start_ms, self._least_ms)

    def _take_undated(self, reading: Reading) -> None:
        """Let a reading without uptime wait, in place of one that it came in a burst with."""
        if self.waiting and reading.arrival_ms - self.waiting[-1].arrival_ms < BURST_MS:
            first_ms = self.waiting.pop().arrival_ms
            reading = dataclasses.replace(reading, arrival_ms=first_ms)
        self.waiting.append(reading)

    def settled(self, now_ms: int) -> bool:
        """Whether the start is known well enough to date by it."""
        if self.waiting[0].uptime_ms is None:
            return now_ms - self.waiting[-1].arrival_ms >= BURST_MS
        if self.started_ms is not None:
            return True
        return now_ms - self._fell_ms >= SETTLE_MS

    def release(self, meter: str, wall_minus_steady_ms: int) -> list[Dated]:
        """Date all that waits."""
        stretches = self._stretches()
        starts_ms = self._starts_ms(stretches)
        dated: list[Dated] = []
        for stretch, start_ms in zip(stretches, starts_ms, strict=True):
            restarted = self._is_restart(stretch[0], start_ms)
            for reading in stretch:
                steady_ms = reading.arrival_ms if reading.uptime_ms is None else reading.uptime_ms
                at_ms = reading.arrival_ms if reading.uptime_ms is None else start_ms + reading.uptime_ms
                # a better guess of the start must not date a reading before one that is dated already
                self.at_ms = max(at_ms, self.at_ms + 1) if self._dated else at_ms
                self._dated = True
                self.count, self.uptime_ms = reading.count, reading.uptime_ms
                dated.append(
                    Dated(
                        meter=meter,
                        count=reading.count,
                        at_ms=self.at_ms + wall_minus_steady_ms,
                        steady_ms=steady_ms,
                        restarted=restarted,
                    )
                )
                restarted = False
            self.started_ms = None if self.uptime_ms is None else start_ms
        self.waiting = []
        return dated

    def count_doubled(self) -> int:
        """Doubled readings since the last call."""
        doubled, self._doubled = self._doubled, 0
        return doubled

    def _is_doubled(self, reading: Reading) -> bool:
        """Whether this very reading was read before: marked as repeated, or the last one over again."""
        pair = (reading.uptime_ms, reading.count)
        if reading.again:
            return pair in self._seen
        return reading.uptime_ms is not None and bool(self._seen) and self._seen[-1] == pair

    def _stretches(self) -> list[list[Reading]]:
        """What waits, cut where uptime falls back."""
        stretches: list[list[Reading]] = []
        before_ms = self.uptime_ms
        for reading in self.waiting:
            falls = before_ms is not None and reading.uptime_ms is not None and reading.uptime_ms < before_ms
            if falls or not stretches:
                stretches.append([])
            stretches[-1].append(reading)
            before_ms = reading.uptime_ms
        return stretches

    def _starts_ms(self, stretches: Sequence[Sequence[Reading]]) -> list[int]:
        """When the device started, for each stretch; a stretch ends before the device starts anew."""
        starts: list[int] = []
        next_start_ms: int | None = None
        for number in reversed(range(len(stretches))):
            stretch = stretches[number]
            last_uptime_ms = stretch[-1].uptime_ms or 0
            start_ms = min(reading.arrival_ms - (reading.uptime_ms or 0) for reading in stretch)
            if next_start_ms is not None:
                start_ms = min(start_ms, next_start_ms - last_uptime_ms)
            if number == 0 and self.started_ms is not None and not self._is_restart(stretch[0], start_ms):
                start_ms = min(start_ms, self.started_ms + self._drift_ms(stretch[-1]))
            starts.append(start_ms)
            next_start_ms = start_ms
        return starts[::-1]

    def _is_restart(self, first: Reading, start_ms: int) -> bool:
        """Whether the device started anew since the last dated reading: uptime fell, or it started after that one."""
        if self.uptime_ms is None or first.uptime_ms is None:
            return False
        if first.uptime_ms < self.uptime_ms:
            return True
        return start_ms > self.at_ms + SLACK_MS + self._drift_ms(first)

    def _drift_ms(self, reading: Reading) -> int:
        """How far the device's clock may have run off since the last dated reading."""
        return int(CLOCK_ERROR * max(0, reading.arrival_ms - self.at_ms))

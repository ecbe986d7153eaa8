"""A counter whose every pulse is known, and the volume that rows of minutes say it had."""

import itertools
from collections.abc import Iterable, Mapping, Sequence

from daemon.dating import Dater
from daemon.minutes import MinuteBook
from daemon.plausible import Gate
from daemon.readings import LastReading, Reading
from daemon.store.merging import MinuteRow
from daemon.store.waiting_rows import WaitingRows
from daemon.tally import ClockNote, MeterTally, SourceTally, last_readings

UTC_MS = 1_790_000_000_000
METER = "M1"
LATEST_MS = 3_600_000


class ModelCounter:
    """A device that counts, sends a line now and then, and starts anew; and a collector that comes and goes.

    Attributes:
        rows: what the collector made of it; refused: lines that it did not believe; damaged: lines that were damaged.
        counted: pulses between the first reading that was delivered and the last, less those that no counter can tell:
            between the last reading before a start of the device and the first one after it.
    """

    def __init__(self, *, bits: int, first_count: int) -> None:
        self.bits = bits
        self.counted = 0
        self.damaged = 0
        self._waiting = WaitingRows()
        self.refused = 0
        self._now_ms = 2 * LATEST_MS
        self._started_ms = self._now_ms - LATEST_MS
        self._total = first_count
        self._mark: int | None = None
        self._held: list[Reading] | None = None
        self._remembered: Mapping[str, LastReading] = {}
        self._start()

    @property
    def rows(self) -> list[MinuteRow]:
        """In order, those of one minute merged as the database merges them."""
        return [row for _anchor, row in sorted(self._waiting)]

    def run(self, *, span_ms: int, pulses: int) -> None:
        """Let time pass and pulses come."""
        self._now_ms += span_ms
        self._total += pulses

    def line(self, *, damage: int = 0) -> None:
        """Send a line; `damage` is added to its count on the way."""
        count = (self._total + damage) % (1 << self.bits)
        uptime_ms = self._now_ms - self._started_ms
        reading = Reading(meter=METER, count=count, uptime_ms=uptime_ms, arrival_ms=self._now_ms)
        if damage:
            self.damaged += 1
        else:
            self._settle_account()
        if self._held is None:
            self._deliver([reading])
        else:
            self._held.append(reading)

    def hold(self) -> None:
        """From now on lines get stuck on the way; not soon after a start of the device.

        A line that comes later than its device has been running cannot be told from one of a device that began anew.
        """
        if self._now_ms - self._started_ms >= LATEST_MS:
            self._held = self._held or []

    def release(self) -> None:
        """All that is stuck arrives at once."""
        held, self._held = self._held or [], None
        late = [
            Reading(meter=METER, count=each.count, uptime_ms=each.uptime_ms, arrival_ms=self._now_ms) for each in held
        ]
        self._deliver(late)

    def power_cut(self, *, span_ms: int) -> None:
        """The device starts anew: count and uptime from nothing."""
        self._now_ms += span_ms
        self._started_ms = self._now_ms
        self._total = 0
        self._mark = None if self._mark is None else -1

    def stop_collector(self) -> None:
        """The collector stops cleanly, and starts again; what was stuck on the way comes first."""
        if self._held is not None:
            self.release()
        self.end()
        self._remembered = last_readings(self._tally.body()) or self._remembered
        self._start()

    def end(self) -> None:
        """All that is gathered becomes rows."""
        self._deliver([], settle=False)
        self._gate.close()
        self.refused += len(self._gate.take_refused())
        self._waiting.add(self._book.take(), anchor=0)

    def _start(self) -> None:
        self._dater = Dater(self._remembered, wall_minus_steady_ms=UTC_MS)
        self._gate = Gate({METER: self.bits}, self._remembered)
        self._book = MinuteBook({METER: (1, self.bits)})
        self._tally = SourceTally(where="here", meters={METER: MeterTally()})

    def _settle_account(self) -> None:
        """What a good reading adds to the pulses that must be found."""
        if self._mark is not None and self._mark >= 0:
            self.counted += self._total - self._mark
        self._mark = self._total

    def _deliver(self, readings: Iterable[Reading], *, settle: bool = True) -> None:
        dated = self._dater.date(readings, now_ms=self._now_ms, wall_minus_steady_ms=UTC_MS, settle=settle)
        note = ClockNote(boot="b", known=True, dating_ms=UTC_MS, wall_ms=0)
        for good in self._gate.let_through(dated, uptime_told=[METER]):
            self._book.add(good)
            self._tally.date(good, note, uptime_told=True)


def volume(rows: Sequence[MinuteRow], *, bits: int) -> int:
    """Pulses within rows and between them, none across a restart, a wrap allowed for; `rows` in order."""
    total = sum(row.pulses for row in rows)
    for before, after in itertools.pairwise(rows):
        if not after.restart:
            total += (after.first_count - before.counted) % (1 << bits)
    return total

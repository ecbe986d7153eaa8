"""The collector's sense of time: looks at the clocks, keeps the anchors, and says what readings are dated by."""

import logging
from typing import Any

from config.time_service import CLOCK_SET_FILE
from daemon import clock, eventlog
from daemon.batch_store import DATED, BatchStore
from daemon.clock_sign import boot_name, read_sign
from daemon.gauge_minutes import GaugeBook
from daemon.minutes import MINUTE_MS, MinuteBook
from daemon.readings import LastReading
from daemon.store.undated import Anchor
from daemon.tally import ClockNote
from daemon.timekeeping import CLEAR_MS, PATIENCE_MS, STEP_MS, Moment, Timekeeper, Turn

log = logging.getLogger(__name__)


class CollectorClock:
    """Follows the clocks for the collector.

    Attributes:
        boot: name of this boot.

    Args:
        store: open; takes the anchors and the rows.
        book: the open minutes, which are taken out when the way of dating changes.
        gauges: those of the gauges, likewise; None for no gauge.
        set_file: what tells that the clock is set.
    """

    def __init__(
        self,
        store: BatchStore,
        book: MinuteBook,
        *,
        gauges: GaugeBook | None = None,
        set_file: str = CLOCK_SET_FILE,
    ) -> None:
        self.boot = boot_name()
        self._store = store
        self._book = book
        self._gauges = GaugeBook({}) if gauges is None else gauges
        self._set_file = set_file
        self._before = store.newest()
        self._keeper = Timekeeper(_moment(), read_sign(set_file), self._before)
        self._newest_ms: int | None = self._before.shown_ms
        self._newest_dated_ms = self._before.dated_ms
        self._stepped_ms: int | None = None
        self._written = self._new_anchor()
        if self._keeper.known:
            self._believe()
        else:
            self._dated_until(store.accept_oldest(most_ms=PATIENCE_MS))
        self._say_start()

    @property
    def known(self) -> bool:
        """Whether the clock is set."""
        return self._keeper.known

    @property
    def note(self) -> ClockNote:
        """What readings are dated by now."""
        offset_ms = self._keeper.offset_ms
        dating_ms = offset_ms if self.known else 0
        return ClockNote(boot=self.boot, known=self.known, dating_ms=dating_ms, wall_ms=offset_ms - dating_ms)

    @property
    def anchor(self) -> int:
        """Under which rows are kept now: DATED once the clock is known."""
        return DATED if self.known else self._written.id

    def closed_minute(self, late_ms: int) -> int:
        """All minutes before this one are over by `late_ms`, as readings are dated now."""
        return (round(clock.monotonic_s() * 1000) + self.note.dating_ms - late_ms) // MINUTE_MS

    def look(self) -> None:
        """Look at the clocks; a step is told, and what it changes is handed to the store."""
        before, keeper = self.anchor, self._keeper
        turn = keeper.look(_moment(), read_sign(self._set_file))
        if keeper.step_ms:
            self._stepped_ms = round(clock.now_s() * 1000)
            eventlog.say(log, logging.WARNING, "clock_stepped", by_s=f"{keeper.step_ms / 1000:+.1f}")
        if turn is Turn.NOTHING:
            if not keeper.known and abs(keeper.offset_ms - self._written.offset_ms) > STEP_MS:
                self._write(self._anchor_now(self._written.id))
            return
        self._store.keep_rows(self._book.take(), anchor=before)
        self._store.keep_gauges(self._gauges.take(), anchor=before)
        if turn is Turn.DOUBTED:
            self._written = self._new_anchor()
            eventlog.say(log, logging.WARNING, "clock_doubted", dates="wait until the clock is confirmed")
            return
        self._believe()
        self._write(self._anchor_now(before))
        self._newest_ms = self._newest_dated_ms = _moment().steady_ms + keeper.offset_ms
        eventlog.say(log, logging.WARNING, "clock_known", utc=clock.utc_text(clock.now_s()))

    def keep(self, *, before_minute: int | None = None) -> None:
        """Hand the minutes that are over (all without `before_minute`) to the store.

        A reading may have been taken long before it came, so a clock that is not known is put forward if it would date
        one before those of earlier runs.
        """
        rows = self._book.take(before_minute=before_minute)
        if rows and not self.known and self._before.shown_ms is not None:
            first_ms = min(row.minute * MINUTE_MS + row.first_ms for row in rows)
            self._keeper.show_after(self._before.shown_ms + CLEAR_MS - first_ms)
        self._store.keep_rows(rows, anchor=self.anchor)
        self._store.keep_gauges(self._gauges.take(before_minute=before_minute), anchor=self.anchor)

    def remembered(self) -> dict[str, LastReading]:
        """Last readings of earlier runs, with times that are right by the offset of now.

        Within one boot the monotonic clock knows; between two, only clocks that were set. Otherwise the time says
        nothing: as if the reading had been taken just now, no restart is concluded from it.
        """
        now_ms = round(clock.monotonic_s() * 1000)
        found: dict[str, LastReading] = {}
        for meter, last in self._store.remembered().items():
            steady_ms = now_ms
            if last.boot == self.boot and last.steady_ms is not None:
                steady_ms = last.steady_ms
            elif last.dated and self.known:
                steady_ms = last.at_ms - self._keeper.offset_ms
            at_ms = steady_ms + self.note.dating_ms
            found[meter] = LastReading(count=last.count, uptime_ms=last.uptime_ms, at_ms=at_ms)
        return found

    def see(self, at_ms: int, note: ClockNote) -> None:
        """Note a reading that was dated as `note` says."""
        self._newest_ms = max(self._newest_ms or 0, at_ms + note.wall_ms)
        if note.known:
            self._newest_dated_ms = max(self._newest_dated_ms or 0, at_ms)

    def body(self) -> dict[str, Any]:
        """For the next start and for `clearbore status`."""
        return {
            "boot": self.boot,
            "known": self.known,
            "told": self._keeper.told,
            "ahead_ms": self._keeper.behind_ms,
            "stepped_ms": self._stepped_ms,
            "newest_ms": self._newest_ms,
            "newest_dated_ms": self._newest_dated_ms,
        }

    def _believe(self) -> None:
        """The clock is known: so are the dates of what waits, which all lie after what was dated before."""
        if self._newest_dated_ms is not None:
            self._keeper.date_after(
                self._store.least_offset_ms(self.boot, dated_ms=self._newest_dated_ms, steady_ms=_moment().steady_ms)
            )
        self._dated_until(self._store.believe(boot=self.boot, offset_ms=self._keeper.offset_ms))

    def _dated_until(self, newest_ms: int | None) -> None:
        """Rows that waited are dated, up to this time."""
        if newest_ms is not None:
            self._newest_dated_ms = max(self._newest_dated_ms or newest_ms, newest_ms)

    def _anchor_now(self, number: int) -> Anchor:
        """What is believed now."""
        return Anchor(
            id=number,
            boot=self.boot,
            steady_ms=round(clock.monotonic_s() * 1000),
            offset_ms=self._keeper.offset_ms,
            known=self._keeper.known,
        )

    def _new_anchor(self) -> Anchor:
        """A new anchor, handed to the store."""
        anchor = self._anchor_now(self._store.new_anchor())
        self._store.keep_anchor(anchor)
        return anchor

    def _write(self, anchor: Anchor) -> None:
        """Hand something new of an anchor to the store."""
        self._written = anchor
        self._store.keep_anchor(anchor)

    def _say_start(self) -> None:
        """Tell of a clock that cannot be trusted."""
        if not self.known:
            eventlog.say(log, logging.WARNING, "clock_not_set", dates="wait until the clock is set")
        elif self._keeper.behind_ms > STEP_MS:
            eventlog.say(log, logging.WARNING, "clock_behind_database", by_s=f"{self._keeper.behind_ms / 1000:.1f}")


def _moment() -> Moment:
    """Both clocks."""
    steady_ms = round(clock.monotonic_s() * 1000)
    return Moment(wall_ms=round(clock.now_s() * 1000), steady_ms=steady_ms)

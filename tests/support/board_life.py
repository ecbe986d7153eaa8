"""The life of a board without a battery clock, on simulated clocks: boots, clock errors, steps, synchronisations."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from daemon import clock
from daemon.batch_store import BatchStore
from daemon.clock_sign import ClockSign
from daemon.collector_clock import CollectorClock
from daemon.minutes import MinuteBook
from daemon.readings import Dated
from daemon.state_news import StateNews
from daemon.store import schema
from daemon.store.undated import move_known
from daemon.store.writer import meter_ids

START_MS = 1_790_000_000_000
EVERY_MS = 20_000
LATE_MS = 3_000


class Board:
    """One board, its clocks and one meter that counts a pulse a reading; readings come every 20 s of true time.

    Attributes:
        true_ms: true time, UTC epoch ms.
        read: readings taken in so far; also the count of the last one.
    """

    def __init__(self) -> None:
        self.connection = sqlite3.connect(":memory:", isolation_level=None)
        for _name, script in schema.MIGRATIONS:
            self.connection.executescript(script)
        self.number = meter_ids(self.connection, ["M1"])["M1"]
        self.true_ms = START_MS
        self.read = 0
        self._boots = 0
        self._stamps = 0
        self._sign = ClockSign(told=True, stamp=None)

    @contextmanager
    def running(self) -> Iterator[None]:
        """Everything that asks for the time gets the board's."""
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(clock, "now_s", lambda: self.wall_ms / 1000)
            patch.setattr(clock, "monotonic_s", lambda: self.steady_ms / 1000)
            patch.setattr("daemon.collector_clock.boot_name", lambda: f"boot {self._boots}")
            patch.setattr("daemon.collector_clock.read_sign", lambda _path: self._sign)
            yield

    @property
    def wall_ms(self) -> int:
        """The wall clock."""
        return self.true_ms + self.error_ms

    @property
    def steady_ms(self) -> int:
        """The monotonic clock."""
        return self.true_ms - self._booted_ms

    def boot(self, *, off_ms: int, error_ms: int, told: bool = True) -> None:
        """Power comes back after `off_ms`; the wall clock is wrong by `error_ms` (behind if negative)."""
        self.true_ms += off_ms
        self._booted_ms, self.error_ms = self.true_ms, error_ms
        self._boots += 1
        self._sign = ClockSign(told=told, stamp=None)
        self.start()

    def start(self) -> None:
        """The collector starts."""
        self.true_ms += 5_000
        self._book = MinuteBook({"M1": (self.number, 32)})
        self._store = BatchStore(self.connection, kept_lines=0)
        self.clock = CollectorClock(self._store, self._book)
        self._news = StateNews()
        self._committed_minute = self.clock.closed_minute(LATE_MS)
        self._commit()

    def collect(self, readings: int) -> None:
        """Take in so many readings and commit what is over."""
        for _ in range(readings):
            self.true_ms += EVERY_MS
            self.clock.look()
            note = self.clock.note
            self.read += 1
            at_ms = self.steady_ms + note.dating_ms
            self._book.add(Dated(meter="M1", count=self.read, at_ms=at_ms, steady_ms=self.steady_ms, restarted=False))
            self.clock.see(at_ms, note)
            self._move()
            minute = self.clock.closed_minute(LATE_MS)
            if minute != self._committed_minute:
                self._committed_minute = minute
                self.clock.keep(before_minute=minute)
                self._commit()

    def stop(self) -> None:
        """The collector stops cleanly."""
        self.clock.look()
        self._move()
        self.clock.keep()
        self._commit(stopped=True)

    def step(self, by_ms: int) -> None:
        """Somebody sets the clock."""
        self.error_ms += by_ms
        self.true_ms += 10

    def synchronise(self) -> None:
        """A time server sets the clock."""
        self.error_ms = 0
        self._stamps += 1
        self._sign = ClockSign(told=True, stamp=self._stamps)
        self.true_ms += 10

    def settle(self) -> None:
        """Everything that can be dated goes to its place."""
        while move_known(self.connection):
            pass

    def rows(self) -> list[tuple[int, int, int, int]]:
        """Dated rows in order of time: UTC epoch ms of first and last reading, last count, readings."""
        return self.connection.execute(
            "SELECT minute * 60000 + at_ms - span_ms, minute * 60000 + at_ms, count, samples FROM minute"
            " ORDER BY minute, part"
        ).fetchall()

    def waiting(self) -> int:
        """Readings in rows that have no date."""
        return int(self.connection.execute("SELECT ifnull(sum(samples), 0) FROM undated_minute").fetchone()[0])

    def _move(self) -> None:
        while self._store.movable:
            self._store.move_known()

    def _commit(self, *, stopped: bool = False) -> None:
        body = self.clock.body()
        steady_s = self.steady_ms / 1000
        states = self._news.wanted(
            {"collector": {"clock": body, "stopped_ms": self.true_ms if stopped else None}},
            rows=self._store.waiting_rows,
            newest_ms=body["newest_ms"],
            now_ms=self.wall_ms,
            steady_s=steady_s,
        )
        assert self._store.commit(states, now_ms=self.wall_ms)
        self._news.written(states, steady_s=steady_s)

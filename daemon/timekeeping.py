"""What time is it? A board without a battery clock starts with a wrong one, and is told the time later: pure.

Readings are placed on the monotonic clock of the boot, which no step can move; UTC is that plus an offset. While the
clock is not known to be set, the offset is provisional, and what is read under it is dated again once the clock is set.
Under a set clock no offset ever makes time run backward: a clock put back is approached slowly, so that rows neither
change places nor fall on one another.
"""

from dataclasses import dataclass
from enum import Enum

from daemon.clock_sign import ClockSign

STEP_MS = 2_000
"""The clock stepped if it moved by more than this against the monotonic clock between two looks."""
EARLIEST_MS = 1_735_689_600_000
"""2025-01-01: this program is younger than any clock that says less."""
CALM_MS = 3_600_000
"""Where nobody tells whether the clock is set, one that did not step for so long is taken at its word."""
PATIENCE_MS = 7 * 86_400_000
"""Where a time server is waited for, the clock is taken at its word after this: nothing better will come."""
CLEAR_MS = 1_000
"""Readings that are dated after others keep so far from them: more than a minute's approach (below) can make up."""
APPROACH = 0.001
"""How fast time goes back to a clock that was put back: a second in a thousand, which no rate shows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One look at both clocks: UTC epoch ms, and ms on the monotonic clock."""

    wall_ms: int
    steady_ms: int

    @property
    def offset_ms(self) -> int:
        """What turns the monotonic clock into the wall clock."""
        return self.wall_ms - self.steady_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Newest:
    """UTC epoch ms of the newest readings of earlier runs; None where there is none.

    Attributes:
        shown_ms: of all; dated_ms: of those that were dated under a clock that was set.
    """

    shown_ms: int | None
    dated_ms: int | None


class Turn(Enum):
    """What a look at the clock changed."""

    NOTHING = "nothing"
    KNOWN = "known"
    DOUBTED = "doubted"


class Timekeeper:
    """Judges the wall clock, look by look.

    Attributes:
        known: the clock is set, as far as anyone can tell.
        offset_ms: UTC epoch ms less the monotonic clock, by which readings are dated; provisional while not `known`.
        step_ms: by how much the wall clock stepped just before the last look; 0 if it did not.
        told: somebody here tells whether the clock is set.

    Args:
        moment: now.
        sign: what the machine says of its clock.
        newest: of the readings of earlier runs.
    """

    def __init__(self, moment: Moment, sign: ClockSign, newest: Newest) -> None:
        behind = newest.dated_ms is not None and moment.wall_ms < newest.dated_ms
        self.known = _plausible(moment) and (sign.stamp is not None if sign.told else not behind)
        self.told = sign.told
        self.step_ms = 0
        self._wall_offset_ms = moment.offset_ms
        self._least_true_ms = _offset_after(newest.dated_ms, moment)
        self._least_shown_ms = _offset_after(newest.shown_ms, moment)
        self._stamp = sign.stamp
        self._doubted_stamp = sign.stamp
        self._calm_since_ms = self._looked_ms = moment.steady_ms
        self.offset_ms = self._no_less(moment.offset_ms)

    def _no_less(self, offset_ms: int) -> int:
        """An offset, raised to the least that is allowed: after what is dated, or what is shown as dated."""
        least_ms = self._least_true_ms if self.known else self._least_shown_ms
        return offset_ms if least_ms is None else max(offset_ms, least_ms)

    @property
    def behind_ms(self) -> int:
        """By how much readings are dated ahead of the wall clock."""
        return self.offset_ms - self._wall_offset_ms

    def show_after(self, offset_ms: int) -> None:
        """Have a provisional offset no less than this, or readings would be shown before some that are in already."""
        self._least_shown_ms = self._no_less(offset_ms)
        self.offset_ms = max(self.offset_ms, offset_ms)

    def date_after(self, offset_ms: int) -> None:
        """Have the offset of a known clock no less than this, or rows would be dated before some that are dated."""
        self.offset_ms = max(self.offset_ms, offset_ms)

    def look(self, moment: Moment, sign: ClockSign) -> Turn:
        """Take another look at the clocks; `step_ms`, `known` and `offset_ms` follow."""
        moved_ms = moment.offset_ms - self._wall_offset_ms
        self.step_ms = moved_ms if abs(moved_ms) > STEP_MS else 0
        self.told = sign.told
        turn = self._look_known(moment, sign) if self.known else self._look_unknown(moment, sign)
        self._wall_offset_ms, self._stamp, self._looked_ms = moment.offset_ms, sign.stamp, moment.steady_ms
        return turn

    def _look_known(self, moment: Moment, sign: ClockSign) -> Turn:
        """Follow a set clock: forward at once, backward slowly; a step forward must be confirmed."""
        confirmed = sign.stamp is not None and sign.stamp != self._stamp
        if self.step_ms > 0 and moment.offset_ms > self.offset_ms and not confirmed:
            self.known = False
            self._doubted_stamp = sign.stamp
            self._least_true_ms = self._least_shown_ms = self.offset_ms
            self._calm_since_ms = moment.steady_ms
            self.offset_ms = moment.offset_ms
            return Turn.DOUBTED
        back_ms = round((moment.steady_ms - self._looked_ms) * APPROACH)
        self.offset_ms = max(moment.offset_ms, self.offset_ms - back_ms)
        return Turn.NOTHING

    def _look_unknown(self, moment: Moment, sign: ClockSign) -> Turn:
        """Follow a clock that is not set yet, until it is."""
        if self.step_ms:
            self._calm_since_ms = moment.steady_ms
        calm_ms = moment.steady_ms - self._calm_since_ms
        confirmed = sign.stamp is not None and sign.stamp != self._doubted_stamp
        believed = confirmed if sign.told else calm_ms >= CALM_MS
        self.known = (_plausible(moment) and believed) or calm_ms >= PATIENCE_MS
        self.offset_ms = self._no_less(moment.offset_ms)
        return Turn.KNOWN if self.known else Turn.NOTHING


def _offset_after(at_ms: int | None, moment: Moment) -> int | None:
    """The least offset that dates the present after a reading; None without one."""
    return None if at_ms is None else at_ms + CLEAR_MS - moment.steady_ms


def _plausible(moment: Moment) -> bool:
    """Whether the wall clock says a time at which this program existed."""
    return moment.wall_ms >= EARLIEST_MS

"""The watch: hour by hour over the readings, causal, raising changes and seeing them go.

The front looks for a change that nobody has seen yet. When it raises one, the change takes over the front's track and
is judged anew on it every hour, with its whole past. After some days (settled) a new front starts from the healthy
past, with the change's own expected part taken off the readings, so that the next change is seen beside it.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from analysis.detection.bank import OnsetBank, empty
from analysis.detection.change import SETTLE_H, Change
from analysis.detection.heard import Heard
from analysis.detection.lessons import Lessons, learn_again, learned
from analysis.detection.longer import Comparison, asked_from, discounted
from analysis.detection.looks import Looks
from analysis.detection.noise import NoiseModel
from analysis.detection.posterior import log_sum
from analysis.detection.products import Lie
from analysis.detection.regimes import Regime, Touch, regime_at
from analysis.detection.track import Track
from analysis.detection.verdict import Verdict, judge
from analysis.detection.whitener import FilterState, start, thinned
from analysis.frames import Floats

# The oldest onsets are weighed every RELOOK_H hours only, unless the odds come within NEAR of the limit.
RELOOK_H, NEAR = 6, 3.0
# Looks are for what is sudden, which is sure at once: a change that only just reaches the limit waits for its hour.
LOOK_MARGIN = 1.5
# Recovery is judged on the mean of this many hours, and must hold for this many.
WINDOW_H = 6
RECOVERED_H = 3
# One that came back within AGAIN_H of its end must have gone for so many times as long, each time anew: an air lock
# that comes and goes is one story.
AGAIN_H, AGAIN_TIMES = 48, (1, 4, 16)
# A change whose evidence has gone for a day never was one.
FADED_H = 24
FADED_LOG_ODDS = 1.0
# A lesson waits while the odds are within this of the limit: what is learned from must be healthy.
CALM = 4.0
# How far a settled change may have been misjudged, as a share of it.
SETTLED_SHARE = 0.15
# A verdict is noted when a probability moves this much, and at these ages.
NOTED_MOVE = 0.1
NOTED_AGES_H = frozenset({1, 3, 6, *range(12, 480, 12), *range(480, 1440, 24), *range(1440, 2400, 72)})


@dataclass(slots=True, kw_only=True)
class Watch(Heard):
    """The watch over one plant; feed it every hour in order.

    Attributes:
        threshold: log odds at which a change is raised.
        judge_from_h: first hour that is judged; hours before it are healthy by the keeper's word.
        lessons: when the noise is learned anew; None for never. lessons_taken: how many there were.
        log_odds: of the front by hour; -inf where it was not judged.
        front: the track that looks for what nobody has seen. past: (hour, healthy filter after it), thinned.
        explained: by hour, what settled changes explained of the readings [M], as long as there are lessons to come.
    """

    threshold: float
    judge_from_h: int
    lessons: Lessons | None = None
    log_odds: list[float] = field(default_factory=list)
    front: Track = field(init=False)
    past: list[tuple[int, FilterState]] = field(default_factory=list)
    lessons_taken: int = 0
    explained: dict[int, Floats] = field(default_factory=dict)
    _comparison: Comparison | None = None  # only spares time

    def __post_init__(self) -> None:
        """Begin knowing nothing."""
        self._enter(self.regimes[0])
        self.front = Track(self.model, start(self.model), empty(self.model))

    def look(self, looks: Looks) -> None:
        """Look at the hour after the last one by its first parts; it is taken in whole later.

        Beside an open change, and in an hour of journalled work, the whole hour is waited for.
        """
        hour = self._hour + 1
        if hour <= self.judge_from_h or self._open() or self._touches_at(hour):
            return
        verdict = self.front.peek(
            self.hypotheses,
            hour,
            looks,
            self.log_odds[-1],
            threshold=self.threshold + LOOK_MARGIN,
            discounted=self._discounted,
        )
        if verdict is not None:
            self._raise(verdict)

    def take(self, reading: Floats, share: Floats, looks: Looks | None = None) -> None:
        """Take in the next hour: [M] log readings (nan unseen), the share [M] of the hour behind each, its parts."""
        if looks is not None:
            self.look(looks)
        self._hour += 1
        self._readings.append(reading)
        self._shares.append(share)
        self.log_odds.append(-np.inf)
        self._begin(self._hour)
        for change in self._open():
            if not change.frozen:
                self._follow(change, reading, share)
        if all(change.settled for change in self._open()):
            self._look_ahead(reading, share)
        for change in self._open():
            self._look_for_recovery(change)
        self._learn_if_due()

    def restore(  # noqa: PLR0913 - all that a watch knows
        self,
        *,
        readings: list[Floats],
        shares: list[Floats],
        lesson: NoiseModel | None,
        lessons_taken: int,
        odds: float,
        changes: list[Change],
        front: Track,
        past: list[tuple[int, FilterState]],
        explained: dict[int, Floats],
    ) -> None:
        """Go on from what another watch over the same plant knew after the last of some readings, shares, [M] each.

        `odds` are the log odds of that hour; those of the hours before it are needed no more.
        """
        self._hour = len(readings) - 1
        self._readings, self._shares = readings, shares
        self.lesson, self.lessons_taken = lesson, lessons_taken
        self.log_odds = [*[-np.inf] * (len(readings) - 1), odds]
        self.changes, self.front, self.past, self.explained = changes, front, past, explained
        self._go_on(regime_at(self.regimes, self._hour))

    def _enter(self, regime: Regime) -> None:
        self.model, self.hypotheses = learned(regime.model, self.lesson), regime.hypotheses

    def _go_on(self, regime: Regime) -> None:
        """Enter a regime with all that is being followed."""
        self._enter(regime)
        for track in (self.front, *(change.track for change in self._open())):
            track.model = self.model

    def _begin(self, hour: int) -> None:
        """Enter the regime that begins with an hour, if one does."""
        if any(regime.from_h == hour for regime in self.regimes[1:]):
            self._go_on(regime_at(self.regimes, hour))

    def _learn_if_due(self) -> None:
        """Learn the noise anew where that is due and nothing new seems wrong, and see all hours so far by it."""
        hours = self._hour + 1
        if self.lessons is None or not self.lessons.due(hours, self.lessons_taken):
            return
        settled = all(change.settled for change in self._open())
        if not settled or not -np.inf < self.log_odds[-1] < self.threshold - CALM:
            return
        readings = np.array(self._readings)
        for hour, explained in self.explained.items():
            readings[hour] -= explained
        for change in self.changes:
            readings[change.before_h + 1 : change.judged_until_h + 1] = np.nan
        touches = (*self.touches, *(_settling(change) for change in self._open()))
        self.lesson = learn_again(
            self.lessons,
            known=self.model,
            readings=readings,
            shares=np.array(self._shares),
            regimes=self.regimes,
            touches=touches,
        )
        self.lessons_taken += 1
        self._comparison = None
        self._see_again(readings)
        if not self.lessons.to_come(self.lessons_taken):
            self.explained = {}

    def _see_again(self, readings: Floats) -> None:
        """The front walks all hours [T, M] once more, by the noise that is known now.

        What lasts is judged anew by it, and the front begins anew beside that.
        """
        self._enter(self.regimes[0])
        self.front = Track(self.model, start(self.model), empty(self.model))
        self.past = []
        for hour, (reading, share) in enumerate(zip(readings, self._shares, strict=True)):
            self._begin(hour)
            self._take_ahead(hour, reading, share)
            for change in self._open():
                if hour == change.before_h:
                    change.before = self.front.state
        for change in self._open():
            self._judge_again(change)
        for change in self._open():
            self._look_beside(change)
        if self._hour >= self.judge_from_h and self.front.bank.onset_h.size:
            self.log_odds[-1] = self.front.weigh(self.hypotheses, self._hour)[0]

    def _judge_again(self, change: Change) -> None:
        """Follow a change once more from before it, by the noise that is known now."""
        if change.frozen:
            return
        likely = change.track.protect
        track = Track(regime_at(self.regimes, change.before_h).model, change.before, empty(self.model), likely)
        readings = self._less_beside(change, self._hour)
        for hour, reading in enumerate(readings, start=change.before_h + 1):
            track.model = learned(regime_at(self.regimes, hour).model, self.lesson)
            for touch in self._touches_at(hour):
                if hour <= change.raised_h:
                    _touched(track, touch)
                    track.protect = frozenset(onset for onset in likely if onset >= hour or not touch.anew)
                elif not touch.anew:
                    track.allow(touch.move)
            track.take(hour, reading, self._shares[hour], judged=self._judges(hour, reading))
        change.track = track
        change.faded_for_h = 0
        self._judge(change)

    def _judges(self, hour: int, reading: Floats) -> bool:
        """Whether an hour with such a reading may be the onset of a change."""
        return hour >= self.judge_from_h and bool(np.isfinite(reading).any())

    def _take_ahead(self, hour: int, reading: Floats, share: Floats) -> None:
        """Give the front an hour."""
        for touch in self._touches_at(hour):
            _touched(self.front, touch)
        self.front.take(hour, reading, share, judged=self._judges(hour, reading))
        self.past.append((hour, self.front.state))
        if hour % 24 == 0:
            self.past = thinned(self.past, hour)

    def _look_ahead(self, reading: Floats, share: Floats) -> None:
        """The front's hour: the readings without what the settled changes explain."""
        hour = self._hour
        explained = self._explained(self._open())
        if self._open() and self.lessons is not None and self.lessons.to_come(self.lessons_taken):
            self.explained[hour] = explained
        self._take_ahead(hour, reading - explained, share)
        if hour < self.judge_from_h:
            return
        if hour % RELOOK_H:
            self.log_odds[-1] = self.front.glance(self.hypotheses, hour)
            if self.log_odds[-1] < self.threshold - NEAR:
                return
        odds, weights, where = self.front.weigh(self.hypotheses, hour)
        if odds >= self.threshold:
            odds = self._discounted(self.front.bank, weights, where)
        self.log_odds[-1] = odds
        if odds >= self.threshold:
            self._raise(judge(self.hypotheses, self.front.bank, weights, where, hour=hour, log_odds=odds))

    def _discounted(self, bank: OnsetBank, weights: Floats, where: Lie) -> float:
        """Log odds of any fault that are left of some weights when every wander may be longer than learned."""
        if self.lessons is None:
            return log_sum(weights)
        from_h = asked_from(self._hour, self.lessons.from_h)
        if self._comparison is None or self._comparison.from_h != from_h:
            self._comparison = Comparison(learned=self.model, usual=self.lessons.usual, from_h=from_h)
        comparison = self._comparison
        while comparison.hour < self._hour:
            comparison.take(self._sound_hour(comparison.hour + 1))
        return discounted(comparison.odds(self.model.common_signature), self.hypotheses, bank, weights, where)

    def _raise(self, verdict: Verdict) -> None:
        """Raise a change, unless it is the end of one that is open, or more of it."""
        age_h = verdict.hour - verdict.likeliest_onset_h + 1  # the median one is early while little is known
        for change in self._open():
            if self._is_back(change, min(age_h, WINDOW_H)):
                self._clear(change)
                return
            if change.latest.top == verdict.top:
                self._look_beside(change)
                return
        beside = self._open()
        for change in beside:
            change.frozen = True
        self._comparison = None
        before_h, before = next(
            ((hour, state) for hour, state in reversed(self.past) if hour < verdict.onset_low_h), self.past[0]
        )
        self.changes.append(
            Change(
                raised_h=verdict.hour,
                noted=[verdict],
                latest=verdict,
                before=before,
                before_h=before_h,
                track=self.front,
                beside=beside,
            )
        )
        self._note_growth(self.changes[-1])

    def _follow(self, change: Change, reading: Floats, share: Floats) -> None:
        """Give an open change an hour, and judge it anew."""
        for touch in self._touches_at(self._hour):
            if not touch.anew:
                change.track.allow(touch.move)
        change.track.take(self._hour, reading - self._explained(change.beside), share, judged=True)
        judged = self._judge(change)
        if judged and self._hour - change.raised_h >= SETTLE_H and not change.settled:
            self._look_beside(change)

    def _judge(self, change: Change) -> bool:
        """Judge an open change after the last hour, unless the readings seem to be on their way back."""
        hour = self._hour
        odds, weights, where = change.track.weigh(self.hypotheses, hour)
        change.faded_for_h = change.faded_for_h + 1 if odds < FADED_LOG_ODDS else 0
        if change.recovered_for_h or change.faded_for_h or self._is_back(change, 1):
            return False
        verdict = judge(self.hypotheses, change.track.bank, weights, where, hour=hour, log_odds=odds)
        change.latest = verdict
        last = change.noted[-1]
        moved = float(np.max(np.abs(verdict.probability - last.probability))) > NOTED_MOVE
        if verdict.top != last.top or moved or hour - change.raised_h in NOTED_AGES_H:
            if (last.hour, last.part) == (hour, verdict.part):
                change.noted.pop()
            change.noted.append(verdict)
            self._note_growth(change)
        return True

    def _note_growth(self, change: Change) -> None:
        """Keep with the verdict just noted how the change grows, as it could be told then."""
        change.latest = change.noted[-1] = replace(change.noted[-1], growth=self.growth(change))

    def _look_beside(self, change: Change) -> None:
        """Look for what comes beside a change that is taken off the readings."""
        self._begin_anew(change)
        change.settled_h = self._hour
        self._comparison = None

    def _clear(self, change: Change) -> None:
        """See a change gone; the front goes on from the healthy past."""
        change.cleared_h = self._hour
        self._comparison = None
        if all(other.settled for other in self._open()):
            self._begin_anew(change)

    def _begin_anew(self, change: Change) -> None:
        """A new front: the healthy past of before a change carried on, loosened along the changes that last."""
        self.front = Track(self.model, self.shadow(change, self._hour), empty(self.model))
        for known in self._open():
            self.front.allow(SETTLED_SHARE * known.latest.expected)
        self.past = [(self._hour, self.front.state)]  # no earlier filter is a healthy one

    def _look_for_recovery(self, change: Change) -> None:
        if self._hour == change.raised_h:
            return
        gone = change.faded_for_h >= FADED_H or self._is_back(change, WINDOW_H)
        change.recovered_for_h = change.recovered_for_h + 1 if gone else 0
        if change.recovered_for_h >= RECOVERED_H * self._patience(change):
            self._clear(change)

    def _patience(self, change: Change) -> int:
        """How many times as long as another a change must have gone."""
        times = 0
        for other in reversed(self.changes[: self.changes.index(change)]):
            if other.cleared_h is None or other.latest.top != change.latest.top:
                continue
            if change.raised_h - other.cleared_h > AGAIN_H:
                break
            times, change = times + 1, other
        return AGAIN_TIMES[min(times, len(AGAIN_TIMES) - 1)]


def _touched(track: Track, touch: Touch) -> None:
    """Let a track that looks for something new know of journalled work."""
    track.allow(touch.move)
    if touch.anew:
        track.forget()


def _settling(change: Change) -> Touch:
    """By how much the readings less what a change explains may be off from where it settled on."""
    return Touch(hour=change.judged_until_h, pattern=change.settled_as.expected, sd=SETTLED_SHARE, anew=False)

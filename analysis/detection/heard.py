"""What a watch was fed, and how the changes that it raised stand against that."""

from dataclasses import dataclass, field

import numpy as np

from analysis.detection.change import Change
from analysis.detection.growth import NO_GROWTH, Growth, Since, growth_of
from analysis.detection.lessons import learned
from analysis.detection.longer import Hour
from analysis.detection.noise import NoiseModel
from analysis.detection.posterior import Hypotheses
from analysis.detection.regimes import Regime, Touch, regime_at
from analysis.detection.whitener import FilterState, loosened
from analysis.frames import Floats

RECOVERED_LOG_ODDS = -3.0


@dataclass(slots=True, kw_only=True)
class Heard:
    """Readings hour by hour, and the changes raised on them.

    Attributes:
        regimes: the noise and the faults, in order of their hours; the first from the start on.
        touches: journalled work and speeds.
        changes: all that was raised.
        lesson: the noise as it was learned last; None as commissioned.
        model, hypotheses: the noise and the faults in the last hour taken in.
    """

    regimes: tuple[Regime, ...]
    touches: tuple[Touch, ...] = ()
    changes: list[Change] = field(default_factory=list)
    lesson: NoiseModel | None = None
    model: NoiseModel = field(init=False)
    hypotheses: Hypotheses = field(init=False)
    _readings: list[Floats] = field(default_factory=list)
    _shares: list[Floats] = field(default_factory=list)
    _hour: int = -1

    @property
    def hour(self) -> int:
        """The last hour taken in; -1 before the first."""
        return self._hour

    def _open(self) -> tuple[Change, ...]:
        return tuple(change for change in self.changes if change.open)

    def _touches_at(self, hour: int) -> tuple[Touch, ...]:
        return tuple(touch for touch in self.touches if touch.hour == hour)

    def _explained(self, changes: tuple[Change, ...]) -> Floats:
        parts = [np.zeros(self.model.meters), *(change.latest.expected for change in changes if change.open)]
        total: Floats = np.sum(parts, axis=0)
        return total

    def _less_beside(self, change: Change, hour: int) -> Floats:
        """[T, M] the readings from before a change up to an hour, less what the changes beside it explained in each."""
        known = self._readings[change.before_h + 1 : hour + 1]  # a look's hour is not among them yet
        hours = change.before_h + 1 + np.arange(len(known))
        readings = np.array(known).reshape(len(known), self.model.meters)
        for other in change.beside:
            lasted = hours <= (hour if other.cleared_h is None else other.cleared_h)
            readings[lasted] -= other.latest.expected
        return readings

    def growth(self, change: Change) -> Growth:
        """How a change grows by its latest verdict; no courses of what came at once."""
        verdict = change.latest
        if verdict.sudden:
            return NO_GROWTH
        since = Since(
            before_h=change.before_h,
            before=change.before,
            readings=self._less_beside(change, verdict.hour),
            touches=[touch for touch in self.touches if change.before_h < touch.hour <= verdict.hour],
            model=self.model,
        )
        return growth_of(since, self.hypotheses, verdict.probability, verdict.change)

    def shadow(self, change: Change, hour: int) -> FilterState:
        """The healthy filter of before the change, carried to `hour` on no reading at all."""
        hours = hour - change.before_h
        memory = self.model.memory**hours
        fresh = self.model.stationary_var * (1.0 - memory**2)
        fresh[: self.model.meters] = self.model.fresh_var[: self.model.meters] * hours
        cov = memory[:, None] * change.before.cov * memory + np.diag(fresh)
        state = FilterState(memory * change.before.mean, cov, np.zeros(self.model.meters))
        for touch in self.touches:
            if change.before_h < touch.hour <= hour:
                state = loosened(state, touch.move)
        return state

    def departure(self, change: Change, hour: int, window_h: int) -> tuple[Floats, Floats]:
        """How the readings stand against the healthy past, other changes taken off.

        Returns:
            [M] mean departure over the window that ends with `hour` (nan where unseen), and its covariance [M, M].
        """
        others = tuple(other for other in self.changes if other is not change)
        recent = np.array(self._readings[max(hour - window_h + 1, 0) : hour + 1]) - self._explained(others)
        seen = np.isfinite(recent)
        count = np.maximum(seen.sum(axis=0), 1)
        mean = np.where(seen.any(axis=0), np.nansum(recent, axis=0) / count, np.nan)
        shadow = self.shadow(change, hour)
        view = self.model.view
        cov = view @ shadow.cov @ view.T + np.diag(self.model.white_sd**2 / count)
        return mean - view @ shadow.mean, cov

    def _is_back(self, change: Change, window_h: int) -> bool:
        """Whether the last hours speak for the healthy past rather than for the change."""
        departure, cov = self.departure(change, self._hour, window_h)
        seen = np.isfinite(departure)
        if not seen.any():
            return False
        expected = change.latest.expected[seen]
        solved = np.linalg.solve(cov[np.ix_(seen, seen)], np.stack([departure[seen], expected], axis=1))
        odds = float(expected @ solved[:, 0] - 0.5 * expected @ solved[:, 1])
        return odds < RECOVERED_LOG_ODDS

    def _sound_hour(self, hour: int) -> Hour:
        """What an hour brings where nothing is wrong: while a change was judged nothing was seen."""
        judged = any(change.before_h < hour <= change.judged_until_h for change in self.changes)
        moved = [
            change.noted[0].expected for change in self.changes if change.open and hour == change.judged_until_h + 1
        ]
        return Hour(
            model=learned(regime_at(self.regimes, hour).model, self.lesson),
            touches=(*self._touches_at(hour), *(Touch(hour=hour, pattern=pattern, sd=1.0) for pattern in moved)),
            reading=np.full(self.model.meters, np.nan) if judged else self._readings[hour],
            share=self._shares[hour],
        )

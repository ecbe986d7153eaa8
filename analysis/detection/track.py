"""A track: a filter with its onset bank, fed hour by hour, and what they make of the hours so far."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.detection.bank import OnsetBank, empty, since, step
from analysis.detection.looks import Looks
from analysis.detection.noise import NoiseModel
from analysis.detection.posterior import Hypotheses, log_sum, weigh
from analysis.detection.products import Lie
from analysis.detection.verdict import Verdict, judge
from analysis.detection.whitener import FilterState, loosened, predict, update
from analysis.frames import Floats

PROTECTED_ONSETS = 6
# Onsets older than this are weighed now and then only: the evidence for them grows slowly, and they are most of the
# work.
YOUNG_H = 48
NEVER_H = -(2**31)


@dataclass(slots=True)
class Track:
    """A filter with its onset bank, fed hour by hour."""

    model: NoiseModel
    state: FilterState
    bank: OnsetBank
    protect: frozenset[int] = frozenset()
    weighed_h: int = NEVER_H  # onsets up to here make old_odds
    old_odds: float = -np.inf

    def take(self, hour: int, reading: Floats, share: Floats, *, judged: bool) -> None:
        """Take in one hour [M]; a judged hour may be the onset of a change."""
        self.state, innovation = update(self.model, predict(self.model, self.state), reading, share)
        if judged or len(self.bank.onset_h) > 0:
            self.bank = step(self.bank, self.model, hour, innovation, self.protect, opens=judged)

    def allow(self, pattern: Floats) -> None:
        """Let the offsets move along a pattern [M], one standard deviation long."""
        self.state = loosened(self.state, pattern)

    def forget(self) -> None:
        """Forget all onsets so far."""
        self.bank = empty(self.model)
        self.protect = frozenset()
        self.weighed_h, self.old_odds = NEVER_H, -np.inf

    def weigh(self, hypotheses: Hypotheses, hour: int) -> tuple[float, Floats, Lie]:
        """Log odds of any fault, and what `posterior.weigh` gives; the likely onsets are kept from now on."""
        weights, lie = weigh(hypotheses, self.bank, hour)
        self.protect = self._likely(self.bank, weights)
        self.weighed_h = hour - YOUNG_H
        self.old_odds = log_sum(weights[self.bank.onset_h <= self.weighed_h])
        return log_sum(weights), weights, lie

    def glance(self, hypotheses: Hypotheses, hour: int) -> float:
        """Log odds of any fault, the onsets that were old when all were weighed taken as they were then."""
        young = since(self.bank, self.weighed_h)
        weights, _ = weigh(hypotheses, young, hour)
        self.protect |= self._likely(young, weights)
        return float(np.logaddexp(self.old_odds, log_sum(weights)))

    def peek(  # noqa: PLR0913 - a look's whole setting, named at the one call
        self,
        hypotheses: Hypotheses,
        hour: int,
        looks: Looks,
        odds: float,
        *,
        threshold: float,
        discounted: Callable[[OnsetBank, Floats, Lie], float],
    ) -> Verdict | None:
        """The verdict of the first look at `hour` that reaches the threshold; nothing is taken in.

        `discounted` gives the log odds that are left of weights [K, G, P] and where patterns lie, in a bank.
        No hypothesis can gain more by a surprise than half its square (whitened), so that most looks need no weighing.
        """
        predicted = predict(self.model, self.state)
        for number in range(len(looks)):
            goes_on = looks.goes_on(number, self.model, predicted)
            _, innovation = update(self.model, predicted, looks.reading[number], looks.share[number], goes_on)
            most = 0.5 * float(innovation.surprise @ innovation.precision @ innovation.surprise)
            if np.logaddexp(odds, 0.0) + most < threshold:
                continue
            bank = step(self.bank, self.model, hour, innovation, self.protect)
            weights, lie = weigh(hypotheses, bank, hour)
            if log_sum(weights) < threshold:
                continue
            found = discounted(bank, weights, lie)
            if found >= threshold:
                return judge(hypotheses, bank, weights, lie, hour=hour, log_odds=found, part=number + 1)
        return None

    def _likely(self, bank: OnsetBank, weights: Floats) -> frozenset[int]:
        likely = np.argsort(-weights.max(axis=(1, 2)))[:PROTECTED_ONSETS]
        return frozenset(bank.onset_h[likely].tolist())

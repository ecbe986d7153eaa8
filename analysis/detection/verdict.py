"""What the weights of one hour come to: probabilities, sizes, onset, shape."""

from dataclasses import dataclass

import numpy as np

from analysis.detection.bank import OnsetBank
from analysis.detection.growth import NO_GROWTH, Growth
from analysis.detection.posterior import Hypotheses, by_hypothesis
from analysis.detection.products import Lie
from analysis.frames import Floats

LOW, HIGH = 0.05, 0.95
HALF = 0.5
# No fault grows exactly in one of the bank's shapes, so the onset is not known as well as they make it look: its
# evidence counts this share.
ONSET_TRUST = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One hour's judgement of a change.

    Attributes:
        hour: the hour judged, after which nothing was used; part: so many of its parts, 0 for the whole hour.
        log_odds: log of the summed weight of all faults against none.
        probability: [H] of each hypothesis given a fault.
        size: [H] mean size of each hypothesis (log change). change: [H, M] mean change of the readings under each.
        onset_h, onset_low_h, onset_high_h: median onset and its 90 % interval.
        step: probability that the change came at once.
        likeliest_onset_h: the onset that the evidence makes most probable, by its full weight.
        growth: the courses that the readings leave possible, for forecasts; none where nobody asked for them.
    """

    hour: int
    part: int = 0
    log_odds: float
    probability: Floats
    size: Floats
    change: Floats
    onset_h: int
    onset_low_h: int
    onset_high_h: int
    step: float
    likeliest_onset_h: int
    growth: Growth = NO_GROWTH

    @property
    def top(self) -> int:
        """Index of the most probable hypothesis."""
        return int(np.argmax(self.probability))

    @property
    def sudden(self) -> bool:
        """Whether the change more likely came at once than grew."""
        return self.step > HALF

    @property
    def expected(self) -> Floats:
        """[M] mean change of the readings over all hypotheses."""
        return self.probability @ self.change


def judge(  # noqa: PLR0913 - the last three only name the hour
    hypotheses: Hypotheses,
    bank: OnsetBank,
    weights: Floats,
    lie: Lie,
    *,
    hour: int,
    log_odds: float,
    part: int = 0,
) -> Verdict:
    """Sum up the weights [K, G, P] of an hour; `lie` is where each pattern lies best."""
    mass = np.exp(weights - np.max(weights))
    pattern_mass = mass.sum(axis=(0, 1))
    member = hypotheses.owner[None, :] == np.arange(len(hypotheses.names))[:, None]
    weight = np.where(member, pattern_mass, 0.0)  # [H, P] share of each pattern within its hypothesis
    weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1e-300)
    middle = lie.to(lambda values: np.sum(mass * values, axis=(0, 1)) / np.maximum(pattern_mass, 1e-300))
    patterns = hypotheses.placed(middle)
    sizes = hypotheses.size + middle.share * hypotheses.size_spans
    by_onset = mass.sum(axis=(1, 2))
    onset = by_onset**ONSET_TRUST
    below = np.cumsum(onset) / np.sum(onset)
    at = [int(bank.onset_h[min(int(np.searchsorted(below, level)), len(onset) - 1)]) for level in (LOW, 0.5, HIGH)]
    return Verdict(
        hour=hour,
        part=part,
        log_odds=log_odds,
        probability=by_hypothesis(hypotheses, weights),
        size=weight @ sizes,
        change=weight @ patterns,
        onset_low_h=at[0],
        onset_h=at[1],
        onset_high_h=at[2],
        step=float(mass[:, 0].sum() / mass.sum()),
        likeliest_onset_h=int(bank.onset_h[np.argmax(by_onset)]),
    )

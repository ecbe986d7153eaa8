"""Longer wanders: whether one is slower and larger than was learned, weighed against a fault.

A week tells how much a meter moves from one hour to the next, but hardly for how long it keeps to one side: a wander of
two days looks like one of half a day that stopped there. Learned too short, its next excursion looks like a fault. So
before a change is raised, every wander is asked in turn whether all hours since the commissioning are better told by a
longer one of the same hourly movement. The faults whose evidence rests on that wander count so much less.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from analysis.detection.bank import OnsetBank, growth
from analysis.detection.batch import update_all
from analysis.detection.learning import log_prior
from analysis.detection.noise import NoiseModel
from analysis.detection.posterior import Hypotheses, log_sum
from analysis.detection.products import Lie
from analysis.detection.regimes import Touch
from analysis.detection.whitener import FilterState, loosened, predict, start, update
from analysis.frames import Floats

# How much longer a wander is tried (log of its time constant); its variance grows alike, so that an hour's movement
# stays what it is.
LONGER = (1.0, 2.0)
# So many hours back are asked, from a multiple of so many on: what is asked hangs on the hour alone.
ASKED_H, ASKED_FROM_H = 64 * 24, 16 * 24
TINY = 1e-300


@dataclass(frozen=True, slots=True, kw_only=True)
class Longer:
    """Log odds that a wander is longer than learned.

    Attributes:
        own: [M] of each meter's wander. common: [C] of each common part's.
        common_signature: [M, C] of the common parts.
    """

    own: Floats
    common: Floats
    common_signature: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Hour:
    """What an hour brings: the noise, what touched the plant, log readings [M] (nan unseen), share [M] behind them."""

    model: NoiseModel
    touches: tuple[Touch, ...]
    reading: Floats
    share: Floats


@dataclass(slots=True, kw_only=True)
class Comparison:
    """Filters over the same hours: one with the noise as learned, and A with one wander longer.

    Attributes:
        learned: the noise. usual: the noise of such a plant before anything was learned.
        from_h: the first hour to be taken in. hour: the last one taken in.
        state: of the filter as learned.
        others: of the A filters. memory, fresh, mean: [A, n], and cov [A, n, n], likewise.
        prior: [A] log prior of their noise over that of the noise as learned.
        ratio: [A] log likelihood of the hours so far over that by the noise as learned.
    """

    learned: NoiseModel
    usual: NoiseModel
    from_h: int
    hour: int = field(init=False)
    state: FilterState = field(init=False)
    others: tuple[NoiseModel, ...] = field(init=False)
    memory: Floats = field(init=False)
    fresh: Floats = field(init=False)
    mean: Floats = field(init=False)
    cov: Floats = field(init=False)
    prior: Floats = field(init=False)
    ratio: Floats = field(init=False)

    def __post_init__(self) -> None:
        """Begin knowing nothing."""
        self.hour = self.from_h - 1
        self.state = start(self.learned)
        self.others = _longer(self.learned)
        self.memory = np.array([other.memory for other in self.others])
        self.fresh = np.array([np.diag(other.fresh_var) for other in self.others])
        self.mean = np.zeros_like(self.memory)
        self.cov = np.array([np.diag(other.stationary_var) for other in self.others])
        prior = log_prior((self.learned, *self.others), self.usual)
        self.prior = prior[1:] - prior[0]
        self.ratio = np.zeros(len(self.others))

    def take(self, hour: Hour) -> None:
        """Take in the next hour. Strays and jumps of common parts are those that the noise as learned sees."""
        self.hour += 1
        model = hour.model
        state = predict(model, self.state)
        self.mean = self.memory * self.mean
        self.cov = self.memory[:, :, None] * self.cov * self.memory[:, None, :] + self.fresh
        for touch in hour.touches:
            state = loosened(state, touch.move)
            self.cov[:, : model.meters, : model.meters] += np.outer(touch.move, touch.move)
        self.state, innovation = update(model, state, hour.reading, hour.share)
        for part in np.flatnonzero(innovation.jumped):
            place = 2 * model.meters + part
            self.cov[:, place, place] += model.common_jump_sd[part] ** 2
        seen = np.flatnonzero(np.isfinite(hour.reading))
        if len(seen) > 0:
            surprise, precision = innovation.surprise[seen], innovation.precision[np.ix_(seen, seen)]
            here = 0.5 * (surprise @ precision @ surprise - np.linalg.slogdet(precision)[1])
            self.mean, self.cov, there = update_all(
                self.mean, self.cov, model.view[seen], hour.reading[seen], innovation.white_var[seen]
            )
            self.ratio += here + there

    def odds(self, common_signature: Floats) -> Longer:
        """After the hours so far; `common_signature` [M, C] of the last one."""
        each = (self.ratio + self.prior).reshape(-1, len(LONGER))
        odds = np.logaddexp.reduce(each, axis=1)
        return Longer(
            own=odds[: self.learned.meters], common=odds[self.learned.meters :], common_signature=common_signature
        )


def asked_from(hour: int, first_h: int) -> int:
    """The first hour that is asked at an hour, `first_h` being the first that counts."""
    return max(first_h, (hour - ASKED_H) // ASKED_FROM_H * ASKED_FROM_H)


def _longer(model: NoiseModel) -> tuple[NoiseModel, ...]:
    """The noise with one wander longer: each meter's and then each common part's, by all of LONGER in turn."""
    own = [
        replace(model, wander_sd=model.wander_sd * np.sqrt(by), wander_tau_h=model.wander_tau_h * by)
        for by in _factors(model.meters)
    ]
    common = [
        replace(model, common_sd=model.common_sd * np.sqrt(by), common_tau_h=model.common_tau_h * by)
        for by in _factors(len(model.common_sd))
    ]
    return (*own, *common)


def _factors(count: int) -> Floats:
    """[count * LONGER, count] factors on time constants, one of them longer in each row."""
    steps = np.kron(np.eye(count), np.array(LONGER)[:, None])
    factors: Floats = np.exp(steps)
    return factors


def discounted(longer: Longer, hypotheses: Hypotheses, bank: OnsetBank, weights: Floats, lie: Lie) -> float:
    """Log odds of any fault, each hypothesis less what may be a longer wander of the readings that it rests on.

    Args:
        longer: of every wander.
        hypotheses: the faults.
        bank: after its last onset's hour.
        weights: [K, G, P] of `posterior.weigh`.
        lie: where each pattern lies best.
    """
    own, common = np.logaddexp(0.0, longer.own), np.logaddexp(0.0, longer.common)
    grown = growth(bank.onset_h[-1] - bank.onset_h + 1.0)
    left = []
    for patterns in (np.flatnonzero(hypotheses.owner == index) for index in range(len(hypotheses.names))):
        if len(patterns) == 0:
            continue
        weight = weights[:, :, patterns]
        onset, shape, place = np.unravel_index(int(np.argmax(weight)), weight.shape)
        best = int(patterns[place])
        size = hypotheses.placed(lie.at(int(onset), int(shape), best), best) / grown[onset, shape]
        rests_on, alike = _grounds(size, bank.score[onset, shape], bank.info[onset, shape], longer.common_signature)
        # one wander is enough to explain it: what another would explain as well is not taken off again
        left.append(log_sum(weight) - max(float(rests_on @ own), float(np.max(alike * common, initial=0.0))))
    return log_sum(np.array(left))


def _grounds(size: Floats, score: Floats, info: Floats, common_signature: Floats) -> tuple[Floats, Floats]:
    """What the evidence for a change of size [M] rests on.

    Returns:
        [M] the share of each reading in its log likelihood ratio, and [C] how like it is to each common part, 0..1.
    """
    ratio = size * score - 0.5 * size * (info @ size)
    rests_on = np.clip(ratio / max(float(ratio.sum()), TINY), 0.0, 1.0)
    seen = info @ common_signature
    power = float(size @ info @ size) * np.sum(common_signature * seen, axis=0)
    return rests_on, np.clip((size @ seen) ** 2 / np.maximum(power, TINY), 0.0, 1.0)

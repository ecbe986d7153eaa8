"""From evidence to probabilities: which fault, since when, in which shape, how large.

Every hypothesis is a path of patterns over the meters (its sizes). Its probability is its hazard (how often such a
thing happens), times how usual its shape and speed are, times the likelihood ratio summed over onsets, shapes and
sizes. The sum over all of them against no fault at all is a Shiryaev-Roberts statistic: on a healthy plant it grows
by one an hour on average, so that raising it at A hours gives one false alarm in not less than A hours (Pollak 1985;
Moustakides, Polunchenko and Tartakovsky, arXiv 0903.3352).
"""

from dataclasses import dataclass, field

import numpy as np

from analysis.detection.bank import POWERS, RAMP_UNIT_H, OnsetBank, evidence
from analysis.detection.products import Lie, Products, products_of
from analysis.frames import Floats, Ints

# Usual speed of a ramp, change of log flow a day, and its spread (log). Media take weeks to a month; a pump longer.
# Common practice, no source.
RAMP_PER_DAY = 0.012
RAMP_LOG_SD = 1.1
# A step smaller than this is seldom worth a keeper's walk; below it the prior falls away.
SMALL_STEP = 0.05
NEVER = -1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class Hypotheses:
    """All faults of a plant as patterns over its M meters; P patterns of H hypotheses.

    Attributes:
        names: [H] distinct names.
        owner: [P] index of the hypothesis that each pattern belongs to.
        patterns: [P, M] change of log reading.
        spans: [P, M] from each pattern half the way to its neighbours of the same hypothesis.
        size: [P] size of the fault as the keeper would put it (signed change of log flow of what it touches).
        size_spans: [P] half the way to the neighbours' sizes.
        doubt: [P, M] one standard deviation of what is not known of each pattern, in one reading at the most; None for
            nothing.
        load: [P] what a steady growth adds to evenly on the way to each pattern: resistance of the branch, as a share of
            what it was; head that the supply lacks, as a share; change of the reading. None where it is not known.
        hazard: [H] relative frequency, sums to 1.
        shape: [H, G] share of each growth shape, rows sum to 1.
        log_prior: [G, P] log weight of each pattern in each shape; all of them sum to 1.
        products: the patterns, prepared for weighing.
    """

    names: tuple[str, ...]
    owner: Ints
    patterns: Floats
    spans: Floats
    size: Floats
    size_spans: Floats
    hazard: Floats
    shape: Floats
    doubt: Floats | None = None
    load: Floats | None = None
    log_prior: Floats = field(init=False)
    products: Products = field(init=False)

    def __post_init__(self) -> None:
        """Work out what is the same in every hour."""
        weight = _size_weight(self.size, self.owner, len(self.names))
        with np.errstate(divide="ignore"):
            prior = np.maximum(np.log(self.hazard[self.owner] * weight * self.shape[self.owner].T), NEVER)
        object.__setattr__(self, "log_prior", prior)
        object.__setattr__(self, "products", products_of(self.patterns, self.spans, self.doubt))

    def placed(self, lie: Lie, of: int | slice = slice(None)) -> Floats:
        """[..., M] change of the readings by some of the patterns, where each lies: `lie` [...]."""
        found: Floats = self.patterns[of] + np.asarray(lie.share)[..., None] * self.spans[of]
        if lie.lean is not None and self.doubt is not None:
            found += np.asarray(lie.lean)[..., None] * self.doubt[of]
        return found


def spans_of(patterns: Floats, owner: Ints) -> Floats:
    """[P, ...] from each pattern half the way to its neighbours; patterns of one owner stand in order of size."""
    spans = np.zeros_like(patterns)
    for index in np.unique(owner):
        own = np.flatnonzero(owner == index)
        if len(own) > 1:
            spans[own] = 0.5 * np.gradient(patterns[own], axis=0)
    return spans


def _size_weight(size: Floats, owner: Ints, count: int) -> Floats:
    """[P] share of each size within its hypothesis."""
    raw = np.abs(size) ** 2 / (np.abs(size) ** 2 + SMALL_STEP**2)
    whole = np.bincount(owner, weights=raw, minlength=count)[owner]
    return np.divide(raw, whole, out=np.zeros_like(raw), where=whole > 0)  # a branch without flow has no sizes


def _rate_weight(size: Floats, age_h: Floats) -> Floats:
    """[K, P] log weight of the speed at which a ramp of each age would have grown to each size."""
    apart: Floats = np.log(np.maximum(np.abs(size), 1e-3) / RAMP_PER_DAY) - np.log(age_h / RAMP_UNIT_H)[:, None]
    apart *= apart
    apart *= -0.5 / RAMP_LOG_SD**2
    return apart


def weigh(hypotheses: Hypotheses, bank: OnsetBank, hour: int) -> tuple[Floats, Lie]:
    """Weigh every onset, shape and pattern against no fault.

    Args:
        hypotheses: the faults.
        bank: after `hour`.
        hour: the last hour taken in.

    Returns:
        [K, G, P] log weights, and where each pattern lies best.
    """
    ratios = evidence(bank, hypotheses.products, hour)
    weights = ratios.log_ratio
    weights += np.log(np.maximum(bank.weight_h, 1e-9))[:, None, None]
    weights += hypotheses.log_prior
    weights[:, POWERS > 0] += _rate_weight(hypotheses.size, (hour - bank.onset_h + 1).astype(np.float64))[:, None]
    return weights, ratios.lie


def log_sum(weights: Floats) -> float:
    """Log of the sum of exponentials of everything."""
    if weights.size == 0:
        return NEVER
    top = float(np.max(weights))
    return top + float(np.log(np.sum(np.exp(weights - top))))


def by_hypothesis(hypotheses: Hypotheses, weights: Floats) -> Floats:
    """[H] probability of each hypothesis, given that there is a fault."""
    top = np.max(weights)
    mass = np.sum(np.exp(weights - top), axis=(0, 1))
    total = np.bincount(hypotheses.owner, weights=mass, minlength=len(hypotheses.names))
    return total / np.sum(total)

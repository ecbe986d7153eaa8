"""Limits of a CUSUM from the rate of false alarms that is wanted, through the autocorrelation that was measured.

A textbook limit is meant for independent values. Hourly flows wander for a day: with the limit of 5 that books give, a
two-sided chart that should ring every 465 hours rings every 20 where a value keeps 0.9 of the one before.

The sum and what the series remembers become one Markov chain in two dimensions, after Brook and Evans (1972): the sum in
cells, and the value in cells of the same width, so that a step leads from middle to middle.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats, Ints
from analysis.statistics.normal import normal_cdf
from analysis.statistics.run_length import extrapolated

# Values further out than this many standard deviations count as there.
FURTHEST = 5.0
LEAST_CELLS = 12
# A cell is no wider than this share of what a step adds of news.
CELL_OF_NEWS = 0.45
HIGHEST_PHI = 0.95
MOST_STEPS = 200_000
SETTLED = 1e-8
# How near the log of a run length comes to the one wanted, and how the limit is looked for.
CLOSE = 1e-3
WALKS = 40
LEAST_LIMIT = 0.5
SHORT_OF = 2.0
WIDER = 1.3
# Allowances that are tried, as shares of the shift; half of it is best for independent values (Moustakides 1986).
ALLOWANCES = (0.35, 0.5, 0.65, 0.8)
HOURS_A_YEAR = 8766.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumChart:
    """A two-sided CUSUM for a series of standard deviation one.

    Attributes:
        allowance, limit: reference value and decision interval, in standard deviations of a value.
        delay: values from a shift of the expected size to the signal, on average.
    """

    allowance: float
    limit: float
    delay: float


@dataclass(frozen=True, slots=True)
class _Chain:
    """One chain of S cells of the sum and V of the value.

    targets [S, V]: the cell that the sum goes to from each cell by each value, S for a signal; moves [V, V]:
    probability of the next value by the present one; starts [V]: of a value by itself.
    """

    targets: Ints
    moves: Floats
    starts: Floats


def values_between_alarms(limit: float, *, allowance: float, phi: float) -> float:
    """How many values a one-sided CUSUM lets pass between two signals in the long run, its sum set back at each.

    Sides that are set back one by one ring twice as often together, whatever the series remembers.

    Args:
        limit: decision interval h, in standard deviations of a value.
        allowance: reference value k, the same.
        phi: correlation of a value with the next, 0 to HIGHEST_PHI.

    Raises:
        ValueError: the series remembers for so long that a chart of its values makes no sense.
    """
    return _by_two_chains(lambda chain: 1.0 / _signal_rate(chain), limit, allowance, phi)


def values_to_signal(limit: float, *, allowance: float, phi: float, shift: float = 0.0) -> float:
    """How many values a one-sided CUSUM takes on average to signal, from a fresh start.

    Args:
        limit: as for `values_between_alarms`.
        allowance: the same.
        phi: the same.
        shift: mean of the values, in their standard deviations.

    Raises:
        ValueError: as for `values_between_alarms`.
    """
    return _by_two_chains(_mean_length, limit, allowance - shift, phi)


def cusum_limit(between_alarms: float, *, allowance: float, phi: float) -> float:
    """The limit at which a two-sided CUSUM signals once in so many values while nothing is wrong.

    Raises:
        ValueError: as for `values_between_alarms`.
    """
    wanted = math.log(2.0 * between_alarms)

    def missing(limit: float) -> float:
        return wanted - math.log(values_between_alarms(limit, allowance=allowance, phi=phi))

    # What the log of the run length gains by a unit of limit in the long run (Siegmund 1985, Sequential Analysis; from
    # memory) makes the first guess.
    climb = 2.0 * allowance * (1.0 - phi) / (1.0 + phi)
    guess = max(wanted / climb - SHORT_OF / (1.0 - phi), LEAST_LIMIT)
    return _crossing(missing, guess)


def _crossing(missing: Callable[[float], float], guess: float) -> float:
    """Where a falling function is nearly zero; LEAST_LIMIT where it is below zero already there.

    The function is nearly straight: a line between a point on either side, kept off both (false position).
    """
    low = high = guess
    low_missing = high_missing = missing(guess)
    while high_missing > CLOSE:
        low, low_missing, high = high, high_missing, WIDER * high
        high_missing = missing(high)
    while low_missing < -CLOSE:
        if low <= LEAST_LIMIT:
            return LEAST_LIMIT
        high, high_missing, low = low, low_missing, max(low / WIDER, LEAST_LIMIT)
        low_missing = missing(low)
    for _ in range(WALKS):
        if low_missing <= CLOSE or high_missing >= -CLOSE:
            break
        share = min(max(low_missing / (low_missing - high_missing), 0.05), 0.95)
        middle = low + share * (high - low)
        middle_missing = missing(middle)
        if middle_missing > 0.0:
            low, low_missing = middle, middle_missing
        else:
            high, high_missing = middle, middle_missing
    return low if low_missing <= CLOSE else high


def cusum_chart(between_alarms: float, *, shift: float, phi: float) -> CusumChart:
    """The two-sided CUSUM that sees a shift soonest among those with the wanted rate of false alarms.

    Args:
        between_alarms: values between two false alarms; `values_of_rate` makes it from a rate.
        shift: to be seen, in standard deviations of a value.
        phi: correlation of a value with the next.

    Raises:
        ValueError: as for `values_between_alarms`.
    """
    charts = [_chart(between_alarms, share * shift, shift, phi) for share in ALLOWANCES]
    return min(charts, key=lambda chart: chart.delay)


def values_of_rate(false_alarms_per_year: float, *, values_per_year: float = HOURS_A_YEAR) -> float:
    """Values between two false alarms, from how many a year are accepted on the series; hourly values by default."""
    return values_per_year / false_alarms_per_year


def _chart(between_alarms: float, allowance: float, shift: float, phi: float) -> CusumChart:
    limit = cusum_limit(between_alarms, allowance=allowance, phi=phi)
    delay = values_to_signal(limit, allowance=allowance, phi=phi, shift=shift)
    return CusumChart(allowance=allowance, limit=limit, delay=delay)


def _by_two_chains(result: Callable[[_Chain], float], limit: float, lead: float, phi: float) -> float:
    if not 0.0 <= phi <= HIGHEST_PHI:
        raise ValueError(
            f"a correlation of {phi:g} from value to value lies outside 0 to {HIGHEST_PHI:g}: "
            "take means over longer spans"
        )
    news = math.sqrt(1.0 - phi**2)
    cells = max(LEAST_CELLS, math.ceil(limit / (CELL_OF_NEWS * news)))
    return extrapolated(lambda count: result(_chain(limit, lead, phi, count)), lambda count: 1.0 / (count - 0.5), cells)


def _chain(limit: float, lead: float, phi: float, cells: int) -> _Chain:
    """`lead` is how far the allowance lies above the mean."""
    width = limit / (cells - 0.5)
    steps = np.arange(math.ceil((-FURTHEST - lead) / width), math.floor((FURTHEST - lead) / width) + 1)
    values = lead + steps * width
    # The outermost cells reach as far as there is: no value is lost.
    edges: Floats = np.concatenate([[-np.inf], values[1:] - 0.5 * width, [np.inf]])
    return _Chain(
        targets=np.clip(np.arange(cells)[:, None] + steps, 0, cells),
        moves=np.diff(normal_cdf((edges - phi * values[:, None]) / math.sqrt(1.0 - phi**2)), axis=1),
        starts=np.diff(normal_cdf(edges)),
    )


def _signal_rate(chain: _Chain) -> float:
    """Signals a value in the long run: what reaches the limit once the chain, set back at each signal, has settled."""
    cells, count = chain.targets.shape
    places = (chain.targets * count + np.arange(count)).ravel()
    spread = np.zeros((cells, count))
    spread[0] = chain.starts
    rate, gain, estimate = 0.0, 0.0, 0.0
    for _ in range(MOST_STEPS):
        moved = np.bincount(places, (spread @ chain.moves).ravel(), (cells + 1) * count).astype(np.float64)
        moved = moved.reshape(cells + 1, count)
        spread = moved[:-1]
        spread[0] += moved[-1]
        before, rate = rate, float(moved[-1].sum())
        before_gain, gain = gain, rate - before
        last, estimate = estimate, _at_last(rate, before_gain, gain)
        if rate > 0.0 and abs(estimate - last) <= SETTLED * estimate:
            return estimate
    raise ValueError(f"the rate of signals did not settle in {MOST_STEPS} steps")


def _mean_length(chain: _Chain) -> float:
    """Mean number of values to the signal: the probabilities of none so far, summed up."""
    columns = np.arange(len(chain.starts))
    without = np.ones((len(chain.targets) + 1, len(chain.starts)))  # no signal so far, by sum and last value
    without[-1] = 0.0
    length, left, estimate = 1.0, 1.0, 1.0
    for _ in range(MOST_STEPS):
        before, left = left, float(chain.starts @ without[chain.targets[0], columns])
        length += left
        last, estimate = estimate, _at_last(length, before, left)
        if abs(estimate - last) <= SETTLED * estimate:
            return estimate
        without[:-1] = without[chain.targets, columns] @ chain.moves.T
    raise ValueError(f"the run length did not settle in {MOST_STEPS} steps")


def _at_last(value: float, before_gain: float, gain: float) -> float:
    """Where a value that gains less and less by a constant share ends; as it is while its gains do not fall yet."""
    if not abs(gain) < abs(before_gain):
        return value
    return value + gain**2 / (before_gain - gain)

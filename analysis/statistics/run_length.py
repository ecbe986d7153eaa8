"""Average run length: how many values a control chart takes on average before it signals.

The chart's statistic is cut into cells and becomes a Markov chain (Brook and Evans 1972, An approach to the probability
distribution of cusum run length, Biometrika 59); two cell widths are extrapolated to none, the error going with the
square of the width. Values are independent, normal, of standard deviation one; `chart_limits` has those that wander.
"""

from collections.abc import Callable

import numpy as np

from analysis.frames import Floats
from analysis.statistics.normal import normal_cdf

CELLS = 100
"""Cells of the coarser of the two chains."""


def cusum_run_length(limit: float, *, allowance: float, shift: float = 0.0, head_start: float = 0.0) -> float:
    """Average run length of a one-sided CUSUM, in values.

    Args:
        limit: the decision interval h, in standard deviations of a value.
        allowance: the reference value k, the same.
        shift: mean of the values, the same; 0 in control.
        head_start: where the sum begins.
    """
    return extrapolated(
        lambda cells: _cusum(limit, allowance - shift, head_start, cells), lambda cells: 1.0 / (cells - 0.5)
    )


def two_sided_cusum_run_length(limit: float, *, allowance: float, shift: float = 0.0, head_start: float = 0.0) -> float:
    """Average run length of a two-sided CUSUM, by its two one-sided ones (Lucas and Crosier 1982)."""
    up, down = (cusum_run_length(limit, allowance=allowance, shift=side) for side in (shift, -shift))
    if head_start == 0.0:
        return up * down / (up + down)
    fast_up, fast_down = (
        cusum_run_length(limit, allowance=allowance, shift=side, head_start=head_start) for side in (shift, -shift)
    )
    return (fast_up * down + fast_down * up - up * down) / (up + down)


def ewma_run_length(width: float, *, weight: float, shift: float = 0.0) -> float:
    """Average run length of a two-sided EWMA with fixed limits, from the target on, in values.

    Args:
        width: of the limits, in standard deviations of the EWMA in the long run.
        weight: of the newest value, 0..1 (lambda).
        shift: mean of the values in their standard deviations.
    """
    return extrapolated(lambda cells: _ewma(width, weight, shift, cells), lambda cells: 1.0 / (2 * cells + 1))


def extrapolated(by_cells: Callable[[int], float], width_of: Callable[[int], float], cells: int = CELLS) -> float:
    """A result without its error of the second order in the cells' width, from `cells` and twice as many (Richardson)."""
    coarse, fine = by_cells(cells), by_cells(2 * cells)
    finer = (width_of(cells) / width_of(2 * cells)) ** 2
    return (finer * fine - coarse) / (finer - 1.0)


def _cusum(limit: float, lead: float, head_start: float, cells: int) -> float:
    """One chain; `lead` is how far the allowance lies above the mean. The first cell, about zero, is half a cell wide."""
    width = limit / (cells - 0.5)
    below = normal_cdf((np.arange(-cells, cells + 1, dtype=np.float64) + 0.5) * width + lead)
    step = np.arange(cells)[None, :] - np.arange(cells)[:, None] + cells
    moves = below[step] - below[step - 1]
    moves[:, 0] = below[step[:, 0]]
    lengths = np.linalg.solve(np.eye(cells) - moves, np.ones(cells))
    if head_start == 0.0:
        return float(lengths[0])
    edges = normal_cdf((np.arange(cells, dtype=np.float64) + 0.5) * width - head_start + lead)
    return float(1.0 + np.diff(edges, prepend=0.0) @ lengths)


def _ewma(width: float, weight: float, shift: float, cells: int) -> float:
    """One chain of an odd number of cells, the target in the middle one."""
    reach = width * np.sqrt(weight / (2.0 - weight))
    count = 2 * cells + 1
    cell = 2.0 * reach / count
    middles = (np.arange(count) - cells) * cell
    edges = (np.arange(count + 1) - cells - 0.5) * cell
    moves: Floats = np.diff(normal_cdf((edges - (1.0 - weight) * middles[:, None]) / weight - shift), axis=1)
    return float(np.linalg.solve(np.eye(count) - moves, np.ones(count))[cells])

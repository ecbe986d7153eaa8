"""The normal distribution function, by the C library's complementary error function."""

import math

import numpy as np

from analysis.frames import Floats

_ROOT_TWO = math.sqrt(2.0)


def normal_cdf(values: Floats) -> Floats:
    """Share of a standard normal variable below each value; same shape."""
    flat = [0.5 * math.erfc(-value / _ROOT_TWO) for value in np.ravel(values)]
    return np.array(flat, dtype=np.float64).reshape(np.shape(values))


def two_sided_tail(ratios: Floats) -> Floats:
    """Share of a standard normal variable further from zero than each ratio, to either side; same shape."""
    return 2.0 * normal_cdf(-np.abs(ratios))

"""The CUSUM that the diagnosis is measured against, on worked examples of the literature."""

import numpy as np

from tests.bench.diagnosis_parts.peers import cusum_alarms


def test_worked_example_without_a_signal() -> None:
    """Montgomery and Runger, Applied Statistics and Probability for Engineers, tables 16-7 and 16-8.

    Target 99, K 1, H 10 with a standard deviation of 2, which is k 1/2 and h 5: the twenty values give no signal.
    """
    values = [102, 94.8, 98.3, 98.4, 102, 98.5, 99, 97.7, 100, 98.1, 101.3, 98.7, 101.1, 98.4, 97, 96.7, 100.3, 101.4]
    values += [97.2, 101]
    assert cusum_alarms((np.array(values) - 99.0) / 2.0, 0) == []


def test_worked_example_with_a_signal() -> None:
    """Lucas and Crosier (1982), table 5: k 1/2, h 5; the sum passes 5 (it is 7.0) at the seventh value, not before."""
    assert cusum_alarms(np.array([0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6]), 0) == [6]

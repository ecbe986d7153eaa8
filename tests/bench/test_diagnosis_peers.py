"""The simpler ways to watch meters, on scores whose alarms can be counted by hand."""

import numpy as np

from tests.bench.diagnosis_parts.peers import HOLD_H, cusum_alarms


def test_a_steady_shift_is_alarmed_and_held() -> None:
    """1.5 sd a value add 1 to the sum: the sixth lies above 5; hours unseen add nothing, three days it keeps still."""
    scores = np.full(200, 1.5)
    scores[2] = np.nan

    # the sums begin anew after each sixth value seen: hours 6, 12, 18, ...
    assert cusum_alarms(scores, first_h=1000) == [1006, 1006 + HOLD_H, 1006 + 2 * HOLD_H]


def test_a_fall_counts_as_a_rise_does() -> None:
    """Both sides, and a shift of no more than the allowance on none."""
    fall = np.concatenate([np.full(50, 0.5), np.full(20, -1.5)])

    assert cusum_alarms(fall, first_h=0) == [55]

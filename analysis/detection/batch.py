"""Many filters over the same readings at once: an hour's update, and how likely each makes what was seen."""

import numpy as np

from analysis.frames import Floats


def update_all(
    mean: Floats, cov: Floats, look: Floats, reading: Floats, white_var: Floats
) -> tuple[Floats, Floats, Floats]:
    """Take in what was seen of one hour.

    Args:
        mean: [B, n] states as predicted for the hour.
        cov: [B, n, n] their covariances.
        look: [S, n] how the states show in the S readings that were seen.
        reading: [S] these readings.
        white_var: [S] or [B, S] variance of their own noise.

    Returns:
        Means and covariances after the hour, and [B] log likelihood of the readings, up to a constant.
    """
    own = np.arange(len(reading))
    shown = look @ cov
    spread = shown @ look.T
    spread[:, own, own] += white_var
    surprise = reading - mean @ look.T
    solved = np.linalg.solve(spread, np.concatenate([surprise[:, :, None], shown], axis=2))
    likely: Floats = -0.5 * (np.sum(surprise * solved[:, :, 0], axis=1) + np.linalg.slogdet(spread)[1])
    after = cov - np.swapaxes(shown, 1, 2) @ solved[:, :, 1:]
    return mean + np.einsum("bsn,bs->bn", solved[:, :, 1:], surprise), 0.5 * (after + np.swapaxes(after, 1, 2)), likely

"""Looks at an hour that is not over: what its first parts say, so that what is sudden need not wait for the hour."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.detection.noise import NoiseModel
from analysis.detection.whitener import SURPRISE_LIMIT, FilterState
from analysis.frames import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Looks:
    """L looks at one hour, each when one more of its parts is over.

    Attributes:
        reading: [L, M] log readings of all parts that are over, together; nan unseen.
        share: [L, M] share of the hour behind them, 0..1.
        alone: [L, M] log readings of the last of these parts by itself; alone_share: [L, M] its share of the hour.
    """

    reading: Floats
    share: Floats
    alone: Floats
    alone_share: Floats

    def __len__(self) -> int:
        return len(self.reading)

    def upto(self, looks: int) -> "Looks":
        """The first so many looks."""
        return Looks(
            reading=self.reading[:looks],
            share=self.share[:looks],
            alone=self.alone[:looks],
            alone_share=self.alone_share[:looks],
        )

    def goes_on(self, number: int, model: NoiseModel, predicted: FilterState) -> NDArray[np.bool_]:
        """[M] whether two parts in a row are far off to the same side: then it is a change, and no stray.

        Args:
            number: of the look, whose part and the one before it are compared.
            model: the noise.
            predicted: the filter's state for this hour, before any reading of it.
        """
        if number == 0:
            return np.zeros(model.meters, dtype=np.bool_)
        pair = slice(number - 1, number + 1)
        spread = np.einsum("mn,nk,mk->m", model.view, predicted.cov, model.view)
        white = model.white_sd**2 / np.clip(self.alone_share[pair], 0.02, 1.0)
        score = (self.alone[pair] - model.view @ predicted.mean) / np.sqrt(spread + white)
        far = np.nan_to_num(score)
        same: NDArray[np.bool_] = (far[0] * far[1] > 0) & (np.abs(far) > SURPRISE_LIMIT).all(axis=0)
        return same

"""How healthy readings wander: the noise model that every judgement is measured against.

The log of a meter's flow over its commissioned flow is, on a healthy plant,

    y[t, j] = offset[j] + wander[t, j] + sum_c common[t, c] * signature[j, c] + white[t, j]

with `wander` and `common` first-order autoregressions (AR(1)). The common parts are what moves all meters in a
pattern the hydraulics know: the pump's speed, the sump's level, the water's temperature.
"""

from dataclasses import dataclass, replace

import numpy as np

from analysis.frames import Floats

# An offset is what a few commissioning days leave unknown of a meter's long-run mean; wide before any data.
OFFSET_SD = 0.2
# How far a long-run mean may creep in an hour without being news (0.15 % in a month). Common practice, no source.
CREEP_SD = 0.0015 / np.sqrt(30 * 24)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseModel:
    """Noise of M meters, or gauges behind them, with C common parts.

    Attributes:
        white_sd: [M] independent noise of an hour's log flow.
        wander_sd, wander_tau_h: [M] stationary standard deviation and time constant of each meter's own AR(1).
        common_signature: [M, C] d log(reading) per unit of each common part.
        common_sd, common_tau_h: [C] stationary standard deviation and time constant of each common part.
        common_jump_sd: [C] how far a part may jump within an hour, now and then; 0 for one that only wanders.
    """

    white_sd: Floats
    wander_sd: Floats
    wander_tau_h: Floats
    common_signature: Floats
    common_sd: Floats
    common_tau_h: Floats
    common_jump_sd: Floats

    @property
    def meters(self) -> int:
        """Number of meters M."""
        return int(self.white_sd.shape[0])

    def of_first(self, count: int) -> "NoiseModel":
        """The noise of the first so many meters alone."""
        return replace(
            self,
            white_sd=self.white_sd[:count],
            wander_sd=self.wander_sd[:count],
            wander_tau_h=self.wander_tau_h[:count],
            common_signature=self.common_signature[:count],
        )

    @property
    def states(self) -> int:
        """Length n of the state [offset (M), wander (M), common (C)]."""
        return 2 * self.meters + int(self.common_sd.shape[0])

    @property
    def memory(self) -> Floats:
        """[n] what is left of each state an hour later."""
        return np.concatenate(
            [np.ones(self.meters), np.exp(-1.0 / self.wander_tau_h), np.exp(-1.0 / self.common_tau_h)]
        )

    @property
    def stationary_var(self) -> Floats:
        """[n] variance of each state before any reading."""
        return np.concatenate([np.full(self.meters, OFFSET_SD**2), self.wander_sd**2, self.common_sd**2])

    @property
    def fresh_var(self) -> Floats:
        """[n] variance that an hour adds to each state."""
        fresh = self.stationary_var * (1.0 - self.memory**2)
        fresh[: self.meters] = CREEP_SD**2
        return fresh

    @property
    def view(self) -> Floats:
        """[M, n] how the states show in the readings."""
        eye = np.eye(self.meters)
        return np.hstack([eye, eye, self.common_signature])

"""What the journal says of the hours: regimes, in which readings wander and faults show alike, and what touched the plant."""

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.detection.noise import NoiseModel
from analysis.detection.posterior import Hypotheses
from analysis.frames import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Touch:
    """What may have moved readings: log variance to allow along a pattern [M]; `sd` in units of the pattern.

    `anew`: whether what was wrong before may have ended with it, as with work on a branch; then earlier onsets are
    forgotten. Another speed ends nothing.
    """

    hour: int
    pattern: Floats
    sd: float
    anew: bool = True

    @property
    def move(self) -> Floats:
        """[M] one standard deviation of what it may have moved."""
        return self.pattern * self.sd


@dataclass(frozen=True, slots=True, kw_only=True)
class Regime:
    """From an hour on the plant runs so that readings wander, and faults show, as these say."""

    from_h: int
    model: NoiseModel
    hypotheses: Hypotheses


def regime_at(regimes: Sequence[Regime], hour: int) -> Regime:
    """The regime of an hour; they are in order, the first one serves from the start on."""
    return next((regime for regime in reversed(regimes) if regime.from_h <= hour), regimes[0])

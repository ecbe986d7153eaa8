"""Faults of a made-up plant of three meters, as patterns, without any hydraulics."""

import numpy as np

from analysis.detection.posterior import Hypotheses, spans_of
from analysis.frames import Floats

# Change of the three log readings per unit of each fault.
UNITS: dict[str, Floats] = {
    "branch a": np.array([-1.0, 0.25, 0.15]),
    "branch b": np.array([0.20, -1.0, 0.15]),
    "branch c": np.array([0.10, 0.10, -1.0]),
    "supply": np.array([-1.0, -0.5, -0.7]),
    "meter a": np.array([-1.0, 0.0, 0.0]),
}
SIZES: Floats = np.array([0.02, 0.04, 0.08, 0.14, 0.22, 0.32, 0.5])


def faults(*, shape: tuple[float, float, float] = (0.6, 0.25, 0.15), sizes: Floats = SIZES) -> Hypotheses:
    """Losses of every kind in steps of size."""
    patterns = np.concatenate([sizes[:, None] * unit for unit in UNITS.values()])
    owner = np.repeat(np.arange(len(UNITS)), len(sizes))
    size = np.tile(-sizes, len(UNITS))
    return Hypotheses(
        names=tuple(UNITS),
        owner=owner,
        patterns=patterns,
        spans=spans_of(patterns, owner),
        size=size,
        size_spans=spans_of(size, owner),
        hazard=np.full(len(UNITS), 1.0 / len(UNITS)),
        shape=np.tile(np.array(shape), (len(UNITS), 1)),
        load=np.tile(np.expm1(2.0 * sizes), len(UNITS)),  # a lone resistance
    )

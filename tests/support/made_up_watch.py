"""The watch over the made-up plant: its noise, its faults, its limit, and healthy readings of it."""

from typing import Any

import numpy as np

from analysis.detection.regimes import Regime
from analysis.detection.watch import Watch
from analysis.frames import Floats
from tests.support.made_up_faults import faults
from tests.support.noise_models import model_of, series_of

MODEL = model_of(3, commons=1, wander_sd=0.006, white_sd=0.001)
HYPOTHESES = faults(sizes=np.array([-0.32, -0.14, -0.06, -0.03, 0.03, 0.06, 0.14, 0.32, 0.6]))
HEALTHY_H = 168
THRESHOLD = 11.0
"""Log odds of one false alarm in some 60 000 hours."""


def new_watch(**different: Any) -> Watch:
    """A watch that has taken in nothing, with some of its settings exchanged by name."""
    model, hypotheses = different.pop("model", MODEL), different.pop("hypotheses", HYPOTHESES)
    usual: dict[str, Any] = {
        "regimes": (Regime(from_h=0, model=model, hypotheses=hypotheses),),
        "threshold": THRESHOLD,
        "judge_from_h": HEALTHY_H,
    }
    return Watch(**(usual | different))


def healthy(hours: int, *, seed: int = 51) -> Floats:
    """[T, M] healthy log readings about what was commissioned."""
    return series_of(MODEL, hours, np.random.default_rng(seed), offset_sd=0.003)

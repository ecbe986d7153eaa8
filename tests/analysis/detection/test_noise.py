"""The noise model as a state space."""

import numpy as np
import pytest

from tests.support.noise_models import model_of

MODEL = model_of(3, commons=2)


def test_wander_and_common_parts_neither_grow_nor_fade() -> None:
    """Identity of a stationary AR(1): what an hour forgets of the variance is what it adds."""
    kept = MODEL.memory**2 * MODEL.stationary_var + MODEL.fresh_var

    assert kept[MODEL.meters :] == pytest.approx(MODEL.stationary_var[MODEL.meters :], rel=1e-12)


def test_offsets_creep() -> None:
    """Identity of a random walk: an offset forgets nothing, so that its variance only grows."""
    assert np.array_equal(MODEL.memory[: MODEL.meters], np.ones(MODEL.meters))
    assert (MODEL.fresh_var[: MODEL.meters] > 0).all()


def test_each_reading_shows_its_own_states_and_the_common_ones() -> None:
    """A meter's reading is its offset, its wander, and the common parts by its signature."""
    states = np.arange(1.0, MODEL.states + 1.0)
    offset, wander, common = np.split(states, [MODEL.meters, 2 * MODEL.meters])

    assert MODEL.view @ states == pytest.approx(offset + wander + MODEL.common_signature @ common)

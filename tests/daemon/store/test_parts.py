"""The parts of hours, to bytes and back."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from analysis.frames import Floats
from analysis.pulses import PARTS, DayHours
from daemon.store.parts import packed_parts, unpacked_parts

METERS = 3
SHORT, LONG = 36, 60
"""Bytes of the parts of an hour that ran throughout, and of any other (daemon.store.schema)."""


def day_of(seconds: Floats, seed: int) -> DayHours:
    """A day whose parts lasted so long, [24, PARTS, METERS]."""
    rng = np.random.default_rng(seed)
    pulses = np.round(rng.uniform(0, 30_000, (24, PARTS, METERS)), 6)
    return DayHours(
        pulses=pulses.sum(axis=1),
        seconds=seconds.sum(axis=1),
        off_s=np.zeros(24),
        usual_hz=np.full(METERS, np.nan),
        part_pulses=pulses,
        part_seconds=seconds,
        known_s=(rng.integers(1, 23, (24, PARTS)) * 60).astype(np.float64),
    )


@given(st.integers(0, 2**32 - 1), st.sampled_from((0.0, 0.1, 0.9)))
def test_parts_come_back_to_the_last_bit_of_a_float(seed: int, broken: float) -> None:
    """Whatever share of them is not whole; an hour that ran throughout needs no seconds."""
    rng = np.random.default_rng(seed)
    seconds = np.where(
        rng.random((24, PARTS, METERS)) < broken, np.round(rng.uniform(0, 600, PARTS)[:, None], 3), 600.0
    )
    hours = day_of(seconds, seed)
    hour, column = np.divmod(rng.permutation(24 * METERS), METERS)
    kept = packed_parts(hours, hour, column)
    back = unpacked_parts([*kept, None])

    np.testing.assert_array_equal(back["pulses"][:-1], hours.part_pulses[hour, :, column].astype(np.float32))
    np.testing.assert_array_equal(back["seconds"][:-1], seconds[hour, :, column].astype(np.float32))
    np.testing.assert_array_equal(back["known_s"][:-1], hours.known_s[hour])
    assert all(not back[name][-1].any() for name in ("pulses", "seconds", "known_s"))
    whole = (seconds[hour, :, column] == 600).all(axis=1)
    assert [len(text) for text in kept] == np.where(whole, SHORT, LONG).tolist()

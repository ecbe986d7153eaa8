"""A meter that is commissioned after the others."""

import numpy as np
import pytest

from analysis.baseline import Baseline
from analysis.calibration import flow_of
from analysis.commissioning import commission
from analysis.frames import HOUR_S, HourFrame
from analysis.joining import join
from config.errors import InputMissing
from tests.support.simulated_rack import START_S, Truth, assessed, hours_of, plant_file, stepped

RACK = plant_file()
DAYS, WEEK_H = 24, 7 * 24
MENDED_H = 9 * 24
"""M3 counts nothing until then."""


def dead_then_mended(*, fails_h: int | None = None) -> HourFrame:
    """Hours of the rack; M3 is dead at first, and may read low in the end."""
    reading = np.where(np.arange(DAYS * 24) < MENDED_H, 0.0, 1.0)
    if fails_h is not None:
        reading = reading * stepped(DAYS * 24, fails_h, 0.8)
    return hours_of(RACK, days=DAYS, seed=11, truth=Truth(reading={"M3": reading}))


def joined(frame: HourFrame) -> tuple[Baseline, Baseline]:
    """Of the first week without M3, and with it on four days after it was mended."""
    week, late = frame.until(WEEK_H), frame.between(MENDED_H, MENDED_H + 4 * 24)
    first = commission(RACK.plant, week, flow_of(week, RACK.plant.meters), speed=1.0)
    return first, join(RACK.plant, first, late, flow_of(late, RACK.plant.meters), "M3")


def test_the_others_stay_as_they_were() -> None:
    """In flow and in noise; the new one has its own, in the plant's order."""
    first, both = joined(dead_then_mended())

    assert first.meters == ("M1", "M2", "M4")
    assert both.meters == ("M1", "M2", "M3", "M4")
    kept = [0, 1, 3]
    for name in ("flow_m3s", "usual_hz"):
        assert (getattr(both, name)[kept] == getattr(first, name)).all()
    for name in ("white_sd", "wander_sd", "wander_tau_h"):
        assert (getattr(both.noise, name)[kept] == getattr(first.noise, name)).all()
    assert (both.from_s, both.to_s, both.meters_left_out) == (first.from_s, first.to_s, ())


def test_its_flow_is_what_it_shows_once_mended() -> None:
    """The scrubber's flow of the same rack with all meters sound (1 %, its wander is 0.8 %)."""
    _, both = joined(dead_then_mended())
    sound = hours_of(RACK, days=DAYS, seed=11).until(WEEK_H)
    whole = commission(RACK.plant, sound, flow_of(sound, RACK.plant.meters), speed=1.0)

    assert both.flow_m3s[2] == pytest.approx(whole.flow_m3s[2], rel=0.01)
    assert 0.3 < both.noise.wander_sd[2] / whole.noise.wander_sd[2] < 3.0


def test_what_it_showed_before_raises_nothing() -> None:
    """Neither its dead days nor its first hours."""
    frame = dead_then_mended()
    _, both = joined(frame)

    known = assessed(RACK, both, frame)

    assert known.findings == ()
    assert known.not_commissioned == ()
    assert np.isnan(known.flow_m3s[:MENDED_H, 2]).all()
    assert np.isfinite(known.flow_m3s[MENDED_H:, 2]).all()


def test_it_is_judged_from_then_on() -> None:
    """It reads a fifth low a week later: found, and called by its name."""
    fails_h = MENDED_H + 10 * 24
    frame = dead_then_mended(fails_h=fails_h)
    _, both = joined(frame)

    (finding,) = assessed(RACK, both, frame).findings

    assert (finding.candidates[0].kind.value, finding.candidates[0].subject) == ("meter", "M3")
    assert abs(finding.onset_s - (START_S + fails_h * HOUR_S)) <= 3 * HOUR_S


def test_before_it_joins_it_is_named_and_not_judged() -> None:
    """The plant is judged without it."""
    frame = dead_then_mended()
    first, _ = joined(frame)

    known = assessed(RACK, first, frame.of(first.meters))

    assert known.findings == ()
    assert known.not_commissioned == ("M3",)


def test_too_few_hours_are_told() -> None:
    """With how many there are and how many it takes."""
    frame = dead_then_mended()
    first, _ = joined(frame)
    short = frame.between(MENDED_H, MENDED_H + 20)

    with pytest.raises(InputMissing, match=r"48 healthy hours|M3: 20 hours"):
        join(RACK.plant, first, short, flow_of(short, RACK.plant.meters), "M3")

"""The least error of a forecast, on cases that can be worked by hand or simulated."""

import numpy as np
import pytest

from analysis.frames import Floats
from tests.bench.diagnosis_parts.crossing_limit import MEDIAN_SD, POWER_LOG_SD, least_error
from tests.bench.diagnosis_parts.oracle import Noise, Whitener, whiten

ONSET, AT, CROSSED = 20, 220, 270.0
WHITE_SD, SLOPE = 0.01, -0.001


def whitener(meters: int = 1, *, wander_sd: float = 0.0) -> Whitener:
    """White noise, and a wander of ten hours if asked."""
    one = np.ones(meters)
    noise = Noise(
        white_sd=WHITE_SD * one,
        wander_sd=wander_sd * one,
        wander_tau_h=10.0 * one,
        speed_pattern=0.0 * one,
        speed_sd=0.0,
        speed_tau_h=10.0,
    )
    return whiten(noise, np.ones((400, meters), dtype=bool), np.ones((400, meters)))


def straight(meters: int = 1) -> Floats:
    """[T, M] an even fall from ONSET on."""
    age = np.maximum(np.arange(400) + 0.5 - ONSET, 0.0)
    return np.repeat(SLOPE * age[:, None], meters, axis=1)


def test_a_straight_line_is_ordinary_regression() -> None:
    """White noise, beginning and slope unknown: the textbook error of where a least-squares line meets a level.

    Var of the fitted line at x is s^2 (1/n + (x - mean)^2 / Sxx) (any text on regression; from memory); over the slope it
    is the crossing's.
    """
    found = least_error(whitener(), straight(), onset_h=ONSET, crossed_h=CROSSED, at_h=AT)
    hours = np.arange(ONSET, AT) + 0.5
    spread = np.sum((hours - hours.mean()) ** 2)
    sd = WHITE_SD * np.sqrt(1.0 / len(hours) + (CROSSED - hours.mean()) ** 2 / spread) / abs(SLOPE)

    assert found is not None
    assert found.power_known_h == pytest.approx(MEDIAN_SD * sd, rel=0.02)


def test_two_meters_tell_more_by_the_root_of_two() -> None:
    """Independent meters that show the same."""
    one, two = (
        least_error(whitener(meters), straight(meters), onset_h=ONSET, crossed_h=CROSSED, at_h=AT) for meters in (1, 2)
    )

    assert one is not None
    assert two is not None
    assert two.power_known_h == pytest.approx(one.power_known_h / np.sqrt(2.0))


def test_an_unknown_power_costs() -> None:
    """Simulated: 4,000 least-squares fits of beginning, pace and power, the latter held by how it is drawn, err as much."""
    found = least_error(whitener(), straight(), onset_h=ONSET, crossed_h=CROSSED, at_h=AT)
    assert found is not None
    random = np.random.default_rng(5)
    hours = np.arange(ONSET, AT) + 0.5
    age, whole = hours - ONSET, CROSSED - ONSET
    design = SLOPE * np.stack([-np.ones_like(age), age, age * np.log(age / whole)], axis=1)
    held = np.vstack([design / WHITE_SD, [0.0, 0.0, 1.0 / POWER_LOG_SD]])
    power = POWER_LOG_SD * random.standard_normal(4000)
    noise = WHITE_SD * random.standard_normal((len(hours), 4000))
    shown = np.vstack([(design[:, 2:] * power + noise) / WHITE_SD, np.zeros((1, 4000))])
    fit = np.linalg.lstsq(held, shown, rcond=None)[0]
    error = fit[0] - whole * fit[1]

    assert found.power_drawn_h > 1.5 * found.power_known_h
    assert float(np.median(np.abs(error))) == pytest.approx(found.power_drawn_h, rel=0.1)


def test_wander_costs() -> None:
    """Readings that hang together tell less than as many that do not."""
    steady, wandering = (
        least_error(whitener(wander_sd=sd), straight(), onset_h=ONSET, crossed_h=CROSSED, at_h=AT) for sd in (0.0, 0.01)
    )

    assert steady is not None
    assert wandering is not None
    assert wandering.power_known_h > 1.5 * steady.power_known_h


def test_a_few_hours_tell_nothing() -> None:
    """Half a day after the beginning nobody is asked."""
    assert least_error(whitener(), straight(), onset_h=ONSET, crossed_h=CROSSED, at_h=ONSET + 6) is None

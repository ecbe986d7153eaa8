"""The oracle's bound on cases that can be worked by hand."""

import math

import numpy as np
import pytest

from analysis.assessment import FaultKind
from analysis.frames import Floats
from tests.bench.diagnosis_parts.oracle import Noise, Oracle, weigh, whiten

HOURS, ONSET = 120, 20
RESTRICTED = (FaultKind.RESTRICTION, "carbon")
METER = (FaultKind.METER, "carbon meter")


def noise_of(*, white_sd: float, wander_sd: float, tau_h: float = 10.0, meters: int = 1) -> Noise:
    """Meters alike, no common part."""
    one = np.ones(meters)
    return Noise(
        white_sd=white_sd * one,
        wander_sd=wander_sd * one,
        wander_tau_h=tau_h * one,
        speed_pattern=0.0 * one,
        speed_sd=0.0,
        speed_tau_h=10.0,
    )


def step_of(*sizes: float) -> Floats:
    """[T, M] a step at ONSET."""
    step: Floats = (np.arange(HOURS) >= ONSET)[:, None] * np.array(sizes)
    return step


def asked(noise: Noise, reading: Floats, change: Floats, *, limit: float) -> Oracle:
    """The oracle on whole hours of readings."""
    whitener = whiten(noise, np.isfinite(reading), np.ones_like(reading))
    meters = reading.shape[1]
    patterns = np.stack([-np.ones(meters) if meters == 1 else np.array([-0.1, 0.05]), -0.1 * np.eye(meters)[0]])
    return weigh(
        whitener,
        reading,
        change,
        ONSET,
        limit=limit,
        answers=(RESTRICTED, METER),
        patterns=patterns,
        prior=np.zeros(2),
    )


def test_bound_in_white_noise() -> None:
    """A step of one standard deviation carries 1/2 an hour: the log of 100 takes ten hours (9.2)."""
    change = step_of(0.01)
    oracle = asked(noise_of(white_sd=0.01, wander_sd=0.0), np.zeros((HOURS, 1)), change, limit=math.log(100.0))
    assert oracle.bound_h == 10
    assert oracle.information[ONSET + 3] == pytest.approx(4 * 0.5)


def test_bound_in_wandering_noise() -> None:
    """In an AR(1), a step of one sd carries 1 / (2 (1 - phi^2)) in its first hour, then (1 - phi)^2 as much in each."""
    phi = math.exp(-1.0 / 5.0)
    first = 1.0 / (2.0 * (1.0 - phi**2))
    later = first * (1.0 - phi) ** 2
    noise = noise_of(white_sd=1e-9, wander_sd=0.01, tau_h=5.0)
    oracle = asked(noise, np.zeros((HOURS, 1)), step_of(0.01), limit=2.0)
    assert oracle.information[ONSET] == pytest.approx(first)
    assert oracle.information[ONSET + 7] == pytest.approx(first + 7 * later)
    assert oracle.bound_h == 1 + math.ceil((2.0 - first) / later)


def test_two_meters_carry_twice_the_information() -> None:
    """Independent meters add up: half the hours."""
    noise = noise_of(white_sd=0.01, wander_sd=0.0, meters=2)
    oracle = asked(noise, np.zeros((HOURS, 2)), step_of(0.01, -0.01), limit=math.log(100.0))
    assert oracle.bound_h == 5


def test_hours_unheard_carry_nothing() -> None:
    """A gap of six hours puts the bound off by six."""
    reading = np.zeros((HOURS, 1))
    reading[ONSET + 2 : ONSET + 8] = np.nan
    oracle = asked(noise_of(white_sd=0.01, wander_sd=0.0), reading, step_of(0.01), limit=math.log(100.0))
    assert oracle.bound_h == 16


def test_the_ratio_on_readings_that_are_the_change_is_the_information() -> None:
    """Readings that show the fault and no noise: the log likelihood ratio is its average, hour by hour."""
    change = step_of(0.01)
    oracle = asked(noise_of(white_sd=0.01, wander_sd=0.004), change, change, limit=3.0)
    assert np.allclose(oracle.ratio, oracle.information)
    assert oracle.found_h == oracle.bound_h


def test_a_change_too_small_is_never_bounded() -> None:
    """A tenth of a standard deviation for a hundred hours does not reach the limit."""
    oracle = asked(noise_of(white_sd=0.01, wander_sd=0.0), np.zeros((HOURS, 1)), step_of(0.001), limit=5.0)
    assert oracle.bound_h is None


@pytest.mark.parametrize(("sizes", "answer"), [((-0.1, 0.05), RESTRICTED), ((-0.1, 0.0), METER)])
def test_it_names_the_fault_whose_pattern_the_readings_show(
    sizes: tuple[float, float], answer: tuple[FaultKind, str]
) -> None:
    """What the neighbour does tells a restricted branch from a meter that reads low."""
    change = step_of(*sizes)
    oracle = asked(noise_of(white_sd=0.01, wander_sd=0.01, meters=2), change, change, limit=5.0)
    (named, probability), *_ = oracle.named(ONSET + 24)
    assert named == answer
    assert probability > 0.95

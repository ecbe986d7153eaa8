"""What the weights of an hour come to."""

import numpy as np
import pytest

from analysis.detection.bank import empty, step
from analysis.detection.posterior import log_sum, weigh
from analysis.detection.verdict import Verdict, judge
from analysis.detection.whitener import predict, start, update
from analysis.frames import Floats
from tests.support.made_up_faults import UNITS, faults
from tests.support.noise_models import model_of, series_of

HYPOTHESES = faults()
MODEL = model_of(3, commons=1, wander_sd=0.004, white_sd=0.001)
HOURS, ONSET = 240, 120


def verdict_on(change: Floats) -> Verdict:
    """The last hour's verdict on healthy readings plus a change [T, M]."""
    readings = series_of(MODEL, HOURS, np.random.default_rng(31)) + change
    state, bank = start(MODEL), empty(MODEL)
    for hour, reading in enumerate(readings):
        state, innovation = update(MODEL, predict(MODEL, state), reading, np.ones(3))
        if hour >= ONSET - 60:
            bank = step(bank, MODEL, hour, innovation, frozenset({ONSET}))
    weights, share = weigh(HYPOTHESES, bank, HOURS - 1)
    return judge(HYPOTHESES, bank, weights, share, hour=HOURS - 1, log_odds=log_sum(weights))


def grown(power: float) -> Floats:
    """[T, 1] size from 0 to 1 in the last hour."""
    age = np.maximum(np.arange(HOURS) - ONSET + 1, 0)
    return (np.where(age > 0, (age / (HOURS - ONSET)) ** power, 0.0))[:, None]


@pytest.fixture(scope="module")
def stepped() -> Verdict:
    """A loss of 12 % on branch a (log change) at one hour."""
    return verdict_on(0.12 * grown(0.0) * UNITS["branch a"])


@pytest.fixture(scope="module")
def drifting() -> Verdict:
    """The same, grown over five days."""
    return verdict_on(0.12 * grown(1.0) * UNITS["branch a"])


def test_probabilities_are_probabilities(stepped: Verdict) -> None:
    """They sum to one, and none is negative."""
    assert stepped.probability.sum() == pytest.approx(1.0)
    assert (stepped.probability >= 0).all()


def test_top_is_the_fault(stepped: Verdict) -> None:
    """The right branch leads, and leads by far."""
    assert HYPOTHESES.names[stepped.top] == "branch a"
    assert stepped.probability[stepped.top] > 0.99


def test_size_is_the_loss(stepped: Verdict) -> None:
    """Within 0.02 of the true log change, which is two standard deviations of the wander."""
    assert stepped.size[stepped.top] == pytest.approx(-0.12, abs=0.02)


def test_change_follows_the_size(stepped: Verdict) -> None:
    """Identity: on a straight path the mean change is the mean size times the fault's pattern."""
    top = stepped.top

    assert stepped.change[top] == pytest.approx(-stepped.size[top] * UNITS["branch a"], abs=1e-9)


def test_a_step_is_told_from_a_ramp(stepped: Verdict, drifting: Verdict) -> None:
    """By the growth that the readings show."""
    assert stepped.sudden
    assert not drifting.sudden


@pytest.mark.parametrize("name", ["stepped", "drifting"])
def test_onset_lies_in_its_interval(name: str, request: pytest.FixtureRequest) -> None:
    """The interval is in order and does not reach past the hour judged."""
    verdict: Verdict = request.getfixturevalue(name)

    assert verdict.onset_low_h <= verdict.onset_h <= verdict.onset_high_h <= verdict.hour
    assert verdict.onset_low_h <= verdict.likeliest_onset_h <= verdict.onset_high_h


def test_a_step_is_dated_to_the_hour(stepped: Verdict) -> None:
    """The onset with most of the evidence is the true one, or next to it."""
    assert abs(stepped.likeliest_onset_h - ONSET) <= 1

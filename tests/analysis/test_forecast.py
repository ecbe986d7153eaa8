"""Forecasts of the simulated carbon branch, whose losses grow straight on, against the day that it really leaves."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment import Forecast
from analysis.calibration import flow_of
from analysis.frames import HOUR_S
from tests.support.simulated_rack import DAY_H, START_S, Truth, assessed, hours_of, plant_file, ramped
from tests.support.simulated_stories import (
    AT,
    DAYS,
    HOURS,
    SEED,
    STORIES,
    carbon_ramp,
    healthy_baseline,
    told,
)

RACK = plant_file()
LONG_DAYS = 60
CARBON = 3


def crossing_h(truth: Truth) -> int:
    """The hour with which a whole day's mean of the carbon falls below its target, on a plant without any noise."""
    frame = hours_of(RACK, days=LONG_DAYS, seed=1, truth=truth, noise=0.0)
    target = next(run.target for run in RACK.plant.runs if run.name == "carbon")
    assert target is not None
    assert target.low_m3s is not None
    flow = flow_of(frame, RACK.plant.meters)[:, CARBON]
    day_mean = np.convolve(flow, np.full(DAY_H, 1.0 / DAY_H), mode="valid")
    return int(np.flatnonzero(day_mean < target.low_m3s)[0]) + DAY_H - 1


def hour_of(at_s: float) -> float:
    """Hours from the start of the stories."""
    return (at_s - START_S) / HOUR_S


def the_forecast(forecasts: tuple[Forecast, ...]) -> Forecast:
    """The one forecast that stands, which is the carbon's."""
    (forecast,) = forecasts
    assert forecast.run == "carbon"
    return forecast


def test_the_interval_holds_the_true_day() -> None:
    """Eight days into a clog that takes nineteen: the crossing lies in the 90 % interval."""
    forecast = the_forecast(told("carbon clogs").assessment.forecasts)

    assert hour_of(forecast.low_s) < crossing_h(carbon_ramp(LONG_DAYS * DAY_H)) < hour_of(forecast.high_s)


def test_the_forecast_is_near() -> None:
    """Within a third of the time to go, which is what a straight or a quickening growth leaves open at 190 hours."""
    forecast = the_forecast(told("carbon clogs").assessment.forecasts)
    true = crossing_h(carbon_ramp(LONG_DAYS * DAY_H))

    assert hour_of(forecast.below_target_at_s) == pytest.approx(true, abs=(true - HOURS) / 3)


def straight(days: int) -> Truth:
    """The carbon's resistance grows straight on, to more than double in 96 hours."""
    grown = np.maximum(np.arange(days * DAY_H) - AT, 0) / 96.0
    return Truth(resistance={"carbon": 1.0 + 1.2 * grown})


@pytest.mark.parametrize("ahead_h", [36, 60])
def test_a_straight_ramp_gives_the_date(ahead_h: int) -> None:
    """With a fiftieth of the noise: within half a day, and in the interval."""
    true = crossing_h(straight(LONG_DAYS))
    frame = hours_of(RACK, days=DAYS, seed=SEED, truth=straight(DAYS), noise=0.02)

    forecast = the_forecast(assessed(RACK, healthy_baseline(), frame, hours=true - ahead_h).forecasts)

    assert hour_of(forecast.below_target_at_s) == pytest.approx(true, abs=12)
    assert hour_of(forecast.low_s) < true < hour_of(forecast.high_s)


@pytest.mark.parametrize("name", [name for name in STORIES if name != "carbon clogs"])
def test_no_forecast_of_what_does_not_grow(name: str) -> None:
    """Steps, dead meters, stopped pumps and healthy days have none."""
    assert told(name).assessment.forecasts == ()


def test_forecasts_are_in_order() -> None:
    """Each lies ahead of the time it was made, its interval about it; the history is in order of time."""
    history = told("carbon clogs").assessment.forecast_history

    assert history
    assert [forecast.made_at_s for forecast in history] == sorted(forecast.made_at_s for forecast in history)
    for forecast in history:
        assert forecast.made_at_s <= forecast.low_s <= forecast.below_target_at_s <= forecast.high_s


def test_what_stands_was_made_at_the_last_hour() -> None:
    """A standing forecast is the newest."""
    forecast = the_forecast(told("carbon clogs").assessment.forecasts)

    assert forecast.made_at_s == told("carbon clogs").assessment.now_s


def test_the_nearer_the_day_the_narrower_the_interval() -> None:
    """The last forecast is surer than the first."""
    history = told("carbon clogs").assessment.forecast_history
    first, last = (forecast.high_s - forecast.low_s for forecast in (history[0], history[-1]))

    assert last < first


def test_without_a_target_there_is_nothing_to_leave() -> None:
    """The same readings on a plant without targets."""
    story = told("carbon clogs")
    runs = tuple(replace(run, target=None) for run in RACK.plant.runs)

    found = assessed(replace(RACK, plant=replace(RACK.plant, runs=runs)), story.baseline, story.frame)

    assert found.findings
    assert found.forecasts == found.forecast_history == ()


def test_a_branch_below_its_target_has_left_it() -> None:
    """Nothing is forecast of what is already so."""
    truth = Truth(resistance={"carbon": ramped(HOURS, AT, 4.0, over_h=100)})
    frame = hours_of(RACK, days=DAYS, seed=SEED, truth=truth)

    found = assessed(RACK, healthy_baseline(), frame)

    assert found.forecasts == ()
    assert found.forecast_history

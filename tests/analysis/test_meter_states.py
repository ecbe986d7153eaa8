"""How each meter and the pump stand."""

import functools
from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment import MeterState, Status
from tests.support.simulated_rack import METERS, Truth, assessed, hours_of, plant_file, stepped
from tests.support.simulated_stories import AT, DAYS, SEED, healthy_baseline, told

RACK = plant_file()


@functools.cache
def with_holes() -> dict[str, MeterState]:
    """Healthy days in which hours of each meter were not read: a last day, some of it, the very last, long ago."""
    frame = hours_of(RACK, days=DAYS, seed=SEED)
    rate, seconds = frame.rate.copy(), frame.seconds.copy()
    for meter, hours in enumerate((slice(-30, None), slice(-52, -10), slice(-3, None), slice(200, 230))):
        rate[hours, meter] = np.nan
        seconds[hours, meter] = 0.0
    known = assessed(RACK, healthy_baseline(), replace(frame, rate=rate, seconds=seconds))
    assert known.findings == ()
    return {state.name: state for state in known.meter_states}


def test_healthy_meters_are_good() -> None:
    """All of them, with their runs and what they were commissioned with, and the pump too."""
    known = told("healthy").assessment

    assert [(state.name, state.run, state.status) for state in known.meter_states] == [
        (meter, run, Status.GOOD) for meter, run in zip(METERS, ("return", "uv", "scrubber", "carbon"), strict=True)
    ]
    assert known.pump_status is Status.GOOD


def test_flow_is_the_last_days_mean() -> None:
    """By numpy on the measured flow, and near what was commissioned."""
    known = told("healthy").assessment

    flow = [state.flow_m3s for state in known.meter_states]
    assert flow == pytest.approx(known.flow_m3s[-24:].mean(axis=0))
    assert flow == pytest.approx([state.commissioned_m3s for state in known.meter_states], rel=0.05)


def test_a_dead_rotor_is_a_failure() -> None:
    """Named on its own meter, the others are good."""
    found = {state.name: state.status for state in told("meter dead").assessment.meter_states}

    assert found == {"M1": Status.GOOD, "M2": Status.FAILURE, "M3": Status.GOOD, "M4": Status.GOOD}


def test_a_restricted_branch_is_told_on_its_meter() -> None:
    """The meter is the window on its branch."""
    found = {state.name: state for state in told("uv restricted").assessment.meter_states}

    assert found["M2"].status is Status.OUT_OF_SPECIFICATION
    assert "uv is restricted" in found["M2"].reason
    assert found["M1"].status is Status.GOOD


@pytest.mark.parametrize(("name", "status"), [("pump weaker", Status.OUT_OF_SPECIFICATION), ("uv opened", Status.GOOD)])
def test_the_pump_stands_as_its_findings(name: str, status: Status) -> None:
    """A supply finding is the pump's, a branch's is not."""
    assert told(name).assessment.pump_status is status


def test_what_is_over_is_good_again() -> None:
    """A cleared finding leaves no mark."""
    known = told("media changed").assessment

    assert {state.status for state in known.meter_states} == {Status.GOOD}


def test_a_stopped_pump_is_told_on_the_pump() -> None:
    """While it lasts; its meters are not silent, for a pause is no silence."""
    story = told("pump stopped")
    known = assessed(story.rack, story.baseline, story.frame, hours=AT + 5)

    assert known.pump_status is Status.FAILURE
    assert {state.status for state in known.meter_states} == {Status.GOOD}


def test_a_silent_meter_fails() -> None:
    """Nothing for the last thirty hours, while the others go on; its flow is nan, not nought."""
    found = with_holes()["M1"]

    assert found.status is Status.FAILURE
    assert "no reading" in found.reason
    assert np.isnan(found.flow_m3s)


@pytest.mark.parametrize("meter", ["M2", "M3", "M4"])
def test_a_short_silence_is_no_failure(meter: str) -> None:
    """A few hours unread, or hours of some time ago."""
    assert with_holes()[meter].status is Status.GOOD


def test_completeness_is_the_share_of_the_week() -> None:
    """42 of the last 168 hours unread are a quarter; what is older than a week does not count."""
    assert with_holes()["M2"].completeness == pytest.approx(0.75)
    assert with_holes()["M4"].completeness == 1.0


def test_a_second_dead_meter_is_not_good_while_the_first_is_fresh() -> None:
    """Two rotors stick in one hour, one finding is raised: the other meter does not agree with anything."""
    hours = AT + 12
    dead = {name: stepped(DAYS * 24, AT, 0.0) for name in ("M2", "M4")}
    frame = hours_of(RACK, days=DAYS, seed=SEED, truth=Truth(reading=dead))

    known = assessed(RACK, healthy_baseline(), frame, hours=hours)
    named = {finding.candidates[0].subject for finding in known.findings}
    found = {state.name: state for state in known.meter_states}

    assert named < {"M2", "M4"}
    assert {name for name, state in found.items() if state.status is not Status.GOOD} == {"M2", "M4"}
    assert any("second fault" in state.reason for state in found.values())

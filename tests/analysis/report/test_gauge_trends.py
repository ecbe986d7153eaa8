"""Trends of gauges: in their own units, against what the logged speed would make them show."""

import functools
import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment import Assessment
from analysis.events import Event, EventKind
from analysis.frames import HOUR_S
from analysis.report.content import Content, gather
from analysis.report.gauge_figure import gauge_figure, gauge_sentence
from tests.support.simulated_rack import (
    GAUGE,
    PLANT,
    POWER,
    POWER_NAME,
    Truth,
    assessed,
    commissioned,
    hours_of,
    plant_file,
    stepped,
)

RACK = plant_file(PLANT + GAUGE + POWER)
DAYS, AT = 16, 240
SLOWER = Event(at_s=0.0, kind=EventKind.PUMP_SPEED, target="pump", value="90")


@functools.cache
def known() -> tuple[Assessment, Event]:
    """A plant whose pump is set to 90 %, which the journal says."""
    frame = hours_of(RACK, days=DAYS, seed=4, truth=Truth(speed=stepped(DAYS * 24, AT, 0.9)))
    event = replace(SLOWER, at_s=float(frame.start_s + AT * HOUR_S))
    return assessed(RACK, commissioned(RACK, frame), frame, events=(event,)), event


def content(assessment: Assessment) -> Content:
    """The page of it."""
    return gather(RACK, assessment, (known()[1],), (), week=None)


def test_trends_are_in_the_gauges_own_units() -> None:
    """In the order of the plant file, kPa and W, hour by hour as they were read."""
    assessment, _ = known()
    header, power = content(assessment).gauges

    assert [(trend.name, trend.unit) for trend in (header, power)] == [("header pressure", "kPa"), (POWER_NAME, "W")]
    assert header.shown[-1] == pytest.approx(assessment.gauge_shown[-1, 0] / 1000)
    assert power.shown[-1] == pytest.approx(assessment.gauge_shown[-1, 1])
    assert power.last_day == pytest.approx(float(np.nanmean(assessment.gauge_shown[-24:, 1])))
    assert power.commissioned == assessment.gauge_states[1].commissioned


def test_what_is_expected_goes_by_the_logged_speed() -> None:
    """Power by its cube, less what the flow does along the curve (affinity laws); the trend is not one of the speed."""
    header, power = content(known()[0]).gauges

    assert power.last_expected / power.commissioned == pytest.approx(0.9**3, rel=0.05)
    assert header.last_expected < 0.9 * header.commissioned
    for trend in (header, power):
        assert trend.last_day == pytest.approx(trend.last_expected, rel=0.05)
        assert trend.drift.days > 10
        assert abs(trend.drift.percent) < 0.3
        assert [mark.text for mark in trend.marks] == ["pump speed set to 90 %"]


def test_a_gauge_without_values_is_drawn_and_said() -> None:
    """And one whose pressure is at times below that of the air has a trend of the other hours."""
    assessment, _ = known()
    shown = assessment.gauge_shown.copy()
    shown[-30:, 1] = np.nan
    shown[::7, 0] = -500.0
    made = content(replace(assessment, gauge_shown=shown))
    header, power = made.gauges

    assert math.isnan(power.last_day)
    assert gauge_sentence(power).startswith("No value is known of the last day")
    for trend in (header, power):
        svg = gauge_figure(trend, made.period, "g")
        assert svg.startswith("<svg")
        assert trend.name in svg
    assert header.drift.days > 10


def test_a_plant_without_gauges_has_none() -> None:
    """Nor has one whose gauges take no part."""
    bare = replace(known()[0], gauge_states=(), gauge_shown=np.zeros((0, 0)), gauge_expected=np.zeros((0, 0)))

    assert content(bare).gauges == ()

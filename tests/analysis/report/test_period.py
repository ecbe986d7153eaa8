"""The stretch of time that a report is about."""

import datetime as dt
import itertools
import zoneinfo

import pytest

from analysis.report.period import report_period, spans, ticks, week_bounds
from config.errors import InputMissing
from tests.analysis.report import material

FIRST_S = 0
AZORES = zoneinfo.ZoneInfo("Atlantic/Azores")


def _utc(text: str) -> int:
    return int(dt.datetime.fromisoformat(text).timestamp())


def test_first_week_holds_the_fourth_of_january() -> None:
    """ISO 8601: week 1 of 2026 begins on Monday, 29 December 2025."""
    start_s, end_s = week_bounds("2026-W01", zoneinfo.ZoneInfo("UTC"))

    assert (_utc("2025-12-29T00:00Z"), _utc("2026-01-05T00:00Z")) == (start_s, end_s)


def test_week_is_the_plants_own() -> None:
    """The week of a plant on the Azores begins at its own midnight, an hour after UTC's in winter."""
    start_s, end_s = week_bounds("2026-W47", AZORES)

    assert (_utc("2026-11-16T01:00Z"), _utc("2026-11-23T01:00Z")) == (start_s, end_s)


def test_week_of_the_clock_change_is_an_hour_longer() -> None:
    """Summer time ends on the last Sunday of October (IANA tz database, EU rules): 169 hours."""
    start_s, end_s = week_bounds("2026-W43", AZORES)

    assert end_s - start_s == 169 * 3600


@pytest.mark.parametrize("text", ["2026-47", "2026-W7", "2026-W60", "W47", "26-W47", "2026-W4x", "", "2026-W4\u0667"])
def test_what_is_no_week_is_refused(text: str) -> None:
    """Anything but a year, -W and two digits of a week that exists is an error."""
    with pytest.raises(ValueError, match=r"week|Week"):
        week_bounds(text, AZORES)


def test_default_is_the_last_trend_days() -> None:
    """Without a week the report is about the last 28 local days, from a local midnight."""
    period = report_period(material.plant_file(), FIRST_S, material.NOW_S, None)

    assert (_utc("2026-10-26T01:00Z"), material.NOW_S) == (period.start_s, period.end_s)
    assert period.trend_start_s == period.start_s


def test_charts_of_a_week_look_back_further() -> None:
    """A week's report shows the 28 days that end with it."""
    period = report_period(material.plant_file(), FIRST_S, material.NOW_S, "2026-W46")

    assert (_utc("2026-11-09T01:00Z"), _utc("2026-11-16T01:00Z")) == (period.start_s, period.end_s)
    assert period.trend_start_s == _utc("2026-10-19T00:00Z")


def test_week_that_runs_ends_now() -> None:
    """Nothing is said of hours that have not come."""
    period = report_period(material.plant_file(), FIRST_S, material.NOW_S, "2026-W47")

    assert period.end_s == material.NOW_S


def test_week_to_come_is_refused() -> None:
    """A week that begins after the last reading has no report."""
    with pytest.raises(InputMissing, match="2026-W48"):
        report_period(material.plant_file(), FIRST_S, material.NOW_S, "2026-W48")


@pytest.mark.parametrize(("days", "unit", "most"), [(7, "day", 8), (28, "week", 5), (365, "month", 13)])
def test_spans_cover_the_stretch_once(days: int, unit: str, most: int) -> None:
    """A table's rows follow each other without hole or overlap and stay about a dozen."""
    period = report_period(material.plant_file(trend_days=days), FIRST_S, material.NOW_S, None)
    cut = spans(period)

    assert {span.unit for span in cut} == {unit}
    assert len(cut) <= most
    assert (cut[0].start_s, cut[-1].end_s) == (period.trend_start_s, period.end_s)
    assert all(before.end_s == after.start_s for before, after in itertools.pairwise(cut))


@pytest.mark.parametrize("days", [1, 7, 28, 90, 365, 1200])
def test_ticks_are_few(days: int) -> None:
    """A time axis carries at most seven marks, whatever its length."""
    period = report_period(material.plant_file(trend_days=days), FIRST_S, material.NOW_S, None)

    assert len(ticks(period)) <= 7


def test_report_begins_with_the_readings() -> None:
    """Days before the first reading are not shown as days without readings."""
    first_s = material.NOW_S - 5 * 86400 + 7200
    default = report_period(material.plant_file(), first_s, material.NOW_S, None)
    week = report_period(material.plant_file(), first_s, material.NOW_S, "2026-W47")

    assert (default.start_s, default.trend_start_s) == (first_s, first_s)
    assert (week.start_s, week.trend_start_s) == (first_s, first_s)


def test_week_before_the_readings_is_refused() -> None:
    """A week that was over when the readings began has no report."""
    with pytest.raises(InputMissing, match="begin after"):
        report_period(material.plant_file(), material.NOW_S - 86400, material.NOW_S, "2026-W40")

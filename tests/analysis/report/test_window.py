"""Cutting, averaging and thinning out of what is shown."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from analysis.report import window
from analysis.report.period import report_period, spans
from tests.analysis.report import material

FIRST_S = 0
HOUR_S = 3600
FLOWS = st.lists(st.floats(0, 1) | st.just(float("nan")), min_size=1, max_size=400)


def test_grid_has_no_holes() -> None:
    """Hours that the data lack are unknown, hours outside the stretch are left out."""
    hours_s, values = window.on_grid(np.array([0.0, 7200.0, 36000.0]), np.array([1.0, 2.0, 9.0]), 0, 4 * HOUR_S)

    assert hours_s.tolist() == [0, 3600, 7200, 10800]
    np.testing.assert_array_equal(values, [1, np.nan, 2, np.nan])


@given(FLOWS, st.integers(5, 60))
def test_thinning_keeps_the_extremes(flows: list[float], columns: int) -> None:
    """However few columns there are, the lowest and the highest flow are still drawn, and nothing is invented."""
    values = np.array(flows, dtype=np.float64)
    at_s, drawn = window.thinned(np.arange(len(values), dtype=np.float64), values, columns)

    assert len(drawn) <= max(2 * columns, len(values) if len(values) <= 2 * columns else 0)
    assert (np.diff(at_s) >= 0).all()
    np.testing.assert_array_equal(
        [np.nanmin(drawn), np.nanmax(drawn)] if np.isfinite(values).any() else [],
        [np.nanmin(values), np.nanmax(values)] if np.isfinite(values).any() else [],
    )


def test_thinning_leaves_a_gap_open() -> None:
    """A gap wider than a column is still a gap."""
    values = np.ones(8760)
    values[4000:4200] = np.nan
    at_s, drawn = window.thinned(np.arange(8760.0), values, 400)

    assert np.isnan(drawn[(at_s > 4030) & (at_s < 4170)]).all()
    assert np.isfinite(drawn[(at_s < 3970) | (at_s > 4230)]).all()


def test_lone_hours_are_found() -> None:
    """A known hour between two unknown ones would vanish in a line."""
    known = window.lone(np.array([1.0, np.nan, 2.0, np.nan, 3.0, 4.0]))

    assert known.tolist() == [True, False, True, False, False, False]


def test_stretches_are_half_open() -> None:
    """Runs of known hours, as first and after last."""
    assert window.stretches(np.array([True, True, False, True])) == ((0, 2), (3, 4))
    assert window.stretches(np.array([False, False])) == ()


def test_rows_count_every_hour_once() -> None:
    """The rows of a trend hold each hour of the stretch in one row, known or not."""
    period = report_period(material.plant_file(), FIRST_S, material.NOW_S, None)
    hours_s, flow, expected = material.hours()
    grid, cut = window.on_grid(hours_s, flow[:, 0], period.trend_start_s, period.end_s)
    _, wanted = window.on_grid(hours_s, expected[:, 0], period.trend_start_s, period.end_s)
    rows = window.rows(grid, cut, wanted, spans(period))

    assert sum(row.hours for row in rows) == len(grid)
    assert sum(row.known_hours for row in rows) == np.isfinite(cut).sum() == len(grid) - 49
    assert all(row.low_m3s <= row.mean_m3s <= row.high_m3s for row in rows)


def test_day_is_the_plants_day() -> None:
    """Noon UTC is 11:00 on the Azores in winter: day; 08:30 UTC is night there."""
    period = report_period(material.plant_file(), FIRST_S, material.NOW_S, None)
    noon_s = material.NOW_S - 12 * HOUR_S

    assert window.by_day(np.array([float(noon_s), noon_s - 3.5 * HOUR_S]), period).tolist() == [True, False]

"""Which way a flow is going: on invented days; the statistics behind it are tested in tests/analysis/statistics."""

import numpy as np
import pytest

from analysis.frames import Floats
from analysis.report.content import gather
from analysis.report.drift import Drift, Going, Since, day_levels, drift_of
from analysis.report.machine import figures_of
from analysis.report.page import page_of
from tests.analysis.report.material import DAY_S, NOW_S, assessment, events, finding, plant_file, rejected

DAYS = 28
HOURS = np.arange(24 * DAYS)
DAY = HOURS // 24


def flow(percent_per_day: float, *, seed: int = 3) -> Floats:
    """[T] a flow that wanders by 1 % with a day's cycle in it, and goes one way."""
    random = np.random.default_rng(seed)
    wander = [0.0]
    for fresh in random.standard_normal(len(HOURS) - 1):
        wander.append(0.95 * wander[-1] + 0.0031 * fresh)
    cycle = 0.01 * np.sin(2 * np.pi * HOURS / 24)
    return 1e-4 * np.exp(np.array(wander) + cycle + percent_per_day / 100 * HOURS / 24)


def drift(flow_m3s: Floats, *, expected: Floats | None = None, since_day: int = 0) -> Drift:
    """Judged over all days."""
    return drift_of(
        DAY, flow_m3s, np.full(len(flow_m3s), 1e-4) if expected is None else expected, since_day=since_day, since=None
    )


@pytest.mark.parametrize(("percent", "going"), [(-0.8, Going.FALLING), (0.8, Going.RISING), (0.0, Going.NOWHERE)])
def test_which_way(percent: float, going: Going) -> None:
    """With an interval that holds the truth, and sure where it is plain."""
    found = drift(flow(percent))

    assert found.going is going
    assert found.low_percent <= percent <= found.high_percent
    assert found.sure is (percent != 0)
    assert found.days == DAYS


def test_a_slight_trend_is_none() -> None:
    """However sure: a hundredth of a per cent a day is nobody's business."""
    still = 1e-4 * np.exp(1e-4 * HOURS / 24) * (1 + 1e-6 * np.cos(HOURS))

    assert drift(still).going is Going.NOWHERE


def test_flows_that_are_all_the_same() -> None:
    """No trend, and nothing to be unsure of."""
    found = drift(np.full(len(HOURS), 1e-4))

    assert (found.going, found.low_percent, found.high_percent) == (Going.NOWHERE, 0.0, 0.0)


def test_the_logged_speed_is_taken_out() -> None:
    """A pump that is slowed from week to week and logged so makes no trend."""
    slowed: Floats = 1.0 - 0.03 * (DAY // 7).astype(np.float64)
    expected: Floats = 1e-4 * slowed
    found = drift(flow(0.0) * slowed, expected=expected)

    assert found.going is Going.NOWHERE


def test_a_day_half_known_does_not_count() -> None:
    """Its half of the daily cycle would be taken for a change."""
    values = flow(0.0)
    values[5 * 24 : 5 * 24 + 12] = np.nan

    at, levels = day_levels(DAY, values)
    assert list(at) == [day for day in range(DAYS) if day != 5]
    assert levels[0] == pytest.approx(values[:24].mean())


def test_too_few_days() -> None:
    """Six since the last work."""
    found = drift(flow(-2.0), since_day=DAYS - 6)

    assert (found.going, found.days, found.sure) == (Going.TOO_FEW, 6, False)
    assert np.isnan(found.percent)


def test_nothing_known() -> None:
    """A meter that was silent throughout."""
    found = drift(np.full(len(HOURS), np.nan))

    assert (found.going, found.days) == (Going.TOO_FEW, 0)


@pytest.fixture(scope="module")
def branches() -> dict[str, Drift | None]:
    """Of the rack of the report's tests, by branch."""
    content = gather(plant_file(), assessment(finding()), events(), rejected(), week=None)
    return {line.name: line.drift for line in content.branches}


def test_a_branch_is_judged_from_the_onset_of_its_finding(branches: dict[str, Drift | None]) -> None:
    """Carbon clogs from the 11th of November on, 36 % in two weeks: 2.6 % a day at first, more of what is left later."""
    carbon = branches["carbon"]

    assert carbon is not None
    assert carbon.since == Since(at_s=NOW_S - 12 * DAY_S, what="onset of finding A")
    assert (carbon.going, carbon.sure) == (Going.FALLING, True)
    assert -3.7 < carbon.percent < -2.6


def test_a_branch_is_judged_from_the_last_work_on_it(branches: dict[str, Drift | None]) -> None:
    """A valve was set eight days ago; the pump was cleaned before that, which concerns all branches."""
    uv, phosphate = branches["uv"], branches["phosphate"]

    assert uv is not None
    assert phosphate is not None
    assert (uv.since, phosphate.since) == (
        Since(at_s=NOW_S - 8 * DAY_S, what="valve set"),
        Since(at_s=NOW_S - 19 * DAY_S, what="pump cleaned"),
    )


def test_a_branch_without_a_meter_has_none(branches: dict[str, Drift | None]) -> None:
    """Nor a sentence about it."""
    assert branches["refugium"] is None


def test_page_and_figures_tell_it() -> None:
    """Table, sentence and JSON say the same."""
    content = gather(plant_file(), assessment(finding()), events(), rejected(), week=None)
    page, figures = page_of(content), figures_of(content)
    (carbon,) = (line for line in figures["branches"] if line["name"] == "carbon")  # type: ignore[attr-defined]
    (trend,) = (trend for trend in figures["trends"] if trend["name"] == "carbon")  # type: ignore[attr-defined]

    assert carbon["trend"] == trend["trend"]
    assert carbon["trend"] | {"verdict": "falling", "sure": True, "days": 12} == carbon["trend"]
    assert carbon["trend"]["since"] == {"at": "2026-11-11T00:00:00Z", "what": "onset of finding A"}
    told = f"\N{MINUS SIGN}{abs(carbon['trend']['percent_per_day']):.1f}\N{NO-BREAK SPACE}% a day"
    assert f'<td class="t">\N{DOWNWARDS ARROW}\N{NO-BREAK SPACE}{told}, sure<br>' in page
    assert f"Falling, sure: {told} (90\N{NO-BREAK SPACE}%:" in page

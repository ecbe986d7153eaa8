"""The score, on trials made up so that every figure can be counted by hand."""

import math
from typing import Any

import numpy as np
import pytest

from analysis.assessment import FaultKind
from tests.bench.diagnosis_parts import score
from tests.bench.diagnosis_parts.figures import median, rate, share
from tests.bench.diagnosis_parts.goals import goals
from tests.bench.diagnosis_parts.tables import people, plain, worst
from tests.bench.diagnosis_parts.trial import Asked, Foretold, Said, Trial

CARBON = (FaultKind.RESTRICTION, "carbon")
CARBON_METER = (FaultKind.METER, "carbon meter")
SUPPLY = (FaultKind.SUPPLY, None)


def raised(hour: int, *opinions: tuple[float, Any]) -> Said:
    """A finding that was raised once an hour of readings was in, with opinions so many hours later."""
    at_h = hour + 1.0
    return Said(at_h=at_h, cleared_h=None, opinions=tuple((at_h + after, named) for after, named in opinions))


def trial(**what: Any) -> Trial:
    """A slow clog of carbon from hour 300 of 1000, watched from hour 168 by three meters."""
    usual: dict[str, Any] = {
        "number": 0,
        "kind": "slow_clog",
        "answer": CARBON,
        "onset_h": 300,
        "end_h": None,
        "healthy_h": 168,
        "hours": 1000,
        "meters": 3,
        "loss": tuple(np.clip((np.arange(1000) - 299) / 1000, 0.0, 1.0).tolist()),
        "crossed_h": {"carbon": 600},
        "marks": dict.fromkeys(("logged_speeds", "logged_work", "pauses", "power_cuts", "counter_resets"), ()),
        "findings": (raised(339, (0, ((CARBON_METER, 0.6), (CARBON, 0.4))), (24, ((CARBON, 0.95), (SUPPLY, 0.05)))),),
        "forecasts": (),
        "five_percent": (359,),
        "cusum": (200, 310),
        "oracle": Asked(bound_h=20, found_h=25, named=(((CARBON, 1.0),),) * 3, least={}),
        "commission_s": 1.0,
        "assess_s": 2.0,
        "rest_s": 0.5,
    }
    return Trial(**{**usual, **what})


def test_delay_runs_from_the_onset_to_the_last_hour_that_the_alarm_saw() -> None:
    """Raised on hour 339 of an onset at 300: forty hours of readings, twice the bound, 4 % lost."""
    found = score.finding([trial()], score.our_delay)
    assert found.delay_h.value == pytest.approx(40.0)
    assert found.over_bound.value == pytest.approx(2.0)
    assert found.loss_percent.value == pytest.approx(4.0)


def test_a_look_within_the_first_hour_is_at_the_bound_not_below_it() -> None:
    """A quarter of an hour after the onset, where the bound is one hour: a delay of 0.25 h, once the bound."""
    early = Said(at_h=300.25, cleared_h=None, opinions=((300.25, ((CARBON, 1.0),)),))
    found = score.finding(
        [trial(findings=(early,), oracle=Asked(bound_h=1, found_h=1, named=(), least={}))], score.our_delay
    )
    assert (found.delay_h.value, found.over_bound.value) == (0.25, 1.0)


def test_peers_and_oracle_are_timed_alike() -> None:
    """The rule on hour 359 took 60 hours, the CUSUM on hour 310 eleven, the oracle its own 25."""
    delays = {name: delays(trial()) for name, delays in score.WATCHERS.items()}
    assert delays == pytest.approx({"ours": 40.0, "oracle": 25.0, "5 % rule": 60.0, "CUSUM": 11.0})


def test_a_finding_before_the_onset_is_a_false_alarm_and_finds_nothing() -> None:
    """One false alarm in 132 h of three meters, and the fault is missed."""
    early = trial(findings=(raised(250, (0, ((SUPPLY, 1.0),))),))
    figure = score.false_alarms([early], score.ours)
    assert figure.value == pytest.approx(8766.0 / (132 * 3))
    assert score.finding([early], score.our_delay).found.value == 0.0


def test_who_does_not_read_the_journal_is_not_counted_after_it() -> None:
    """A rule that rings at 200 h and again at 250 h, a speed logged at 220 h: one alarm in 52 h of three meters."""
    marks = trial().marks | {"logged_speeds": (220,)}
    rings = trial(marks=marks, five_percent=(200, 250))
    figure = score.false_alarms([rings], lambda each: each.five_percent, reads_journal=False)
    assert figure.value == pytest.approx(8766.0 / (52 * 3))


def test_a_finding_after_the_cure_is_too_late() -> None:
    """A day after its end a fault counts as missed."""
    assert trial(end_h=310).found is None
    assert trial(end_h=330).found is not None


def test_an_alarm_is_put_down_to_what_came_before_it() -> None:
    """A healthy plant: an alarm ten hours after a logged speed, none after the power cut."""
    marks = trial().marks | {"logged_speeds": (400,), "power_cuts": (700,)}
    healthy = trial(kind="healthy", answer=None, onset_h=None, marks=marks, findings=(raised(410, (0, ())),))
    after = score.alarms_after_marks([healthy])
    assert (after["logged_speeds"].rang, after["logged_speeds"].of) == (1, 1)
    assert (after["power_cuts"].rang, after["power_cuts"].of) == (0, 1)
    assert after["power_cuts"].by_chance == pytest.approx(1 - math.exp(-24 / 832))


def test_the_branch_and_its_own_meter_are_one_place() -> None:
    """At the alarm the meter led: right place, wrong kind; a day later both are right."""
    at_once = score.naming([trial()], score.ours_named(0))
    later = score.naming([trial()], score.ours_named(24))
    assert (at_once.place.value, at_once.kind_and_place.value) == (1.0, 0.0)
    assert (later.place.value, later.kind_and_place.value) == (1.0, 1.0)


def test_the_candidate_set_is_the_fewest_that_carry_nine_tenths() -> None:
    """0.6 and 0.4: two candidates, which cover the truth; 0.95: one. Log loss is minus the log of the truth's share."""
    at_once = score.naming([trial()], score.ours_named(0))
    later = score.naming([trial()], score.ours_named(24))
    assert (at_once.set_size.value, at_once.set_covers.value) == (2.0, 1.0)
    assert later.set_size.value == 1.0
    assert at_once.log_loss.value == pytest.approx(-math.log(0.4))


def told(made_h: float, at_h: float) -> Foretold:
    """A forecast for carbon, sure to ten hours."""
    return Foretold(run="carbon", made_h=made_h, at_h=at_h, low_h=at_h - 10, high_h=at_h + 10)


def test_the_forecast_that_stood_at_a_lead_is_scored() -> None:
    """72 h before a crossing at 600 the one of hour 520 stood: 15 h off, not covered; later ones do not count."""
    forecasts = (told(400, 700), told(520, 615), told(540, 601))
    found = score.forecasting([trial(forecasts=forecasts)], [72])
    assert (found.error_h.value, found.covers.value, found.standing.value) == (15.0, 0.0, 1.0)


def test_an_old_forecast_does_not_stand_and_counts_as_none() -> None:
    """The only forecast is four days old at the time that is asked about."""
    found = score.forecasting([trial(forecasts=(told(430, 600),))], [72])
    assert found.standing.value == 0.0
    assert found.error_h.value is None


def test_nobody_is_asked_to_foresee_a_speed_change() -> None:
    """The keeper slows the pump between forecast and crossing: the case is left out."""
    marks = trial().marks | {"logged_speeds": (580,)}
    assert score.forecasting([trial(marks=marks, forecasts=(told(520, 600),))], [72]).standing.cases == 0


def test_intervals_of_counts_are_the_exact_ones() -> None:
    """No event: the upper end is -ln 0.05 (the rule of three); none of ten: 1 - 0.05^(1/10)."""
    assert rate(0, 1.0).high == pytest.approx(-math.log(0.05))
    assert share([False] * 10).high == pytest.approx(1 - 0.05**0.1)
    assert share([True] * 10).low == pytest.approx(0.05**0.1)


def test_a_median_carries_its_spread() -> None:
    """A median of spread values has an interval around it; of equal ones, none."""
    spread, level = median([1.0, 2.0, 3.0, 10.0, 30.0]), median([2.0, 2.0, 2.0])
    assert spread.low is not None
    assert spread.high is not None
    assert spread.low < 3.0 < spread.high
    assert (level.low, level.value, level.high) == (2.0, 2.0, 2.0)


def test_a_goal_is_reached_within_its_bounds() -> None:
    """Twice the bound is short of 1.3; every fault found reaches 0.98; no crossing at 168 h, nothing to say."""
    found = {goal.name: goal for goal in goals([trial()], "standard")}
    assert found["delay over bound"].reached is False
    assert found["faults found"].reached is True
    assert found["forecast error at 168 h, h"].reached is None
    assert found["forecasts' 90 % covers"].wanted == "0.86 to 0.94"


def test_tables_hold_the_figures() -> None:
    """The score in words and as plain values has the same delay; the story of the worst tells truth and findings."""
    assert plain([trial()], "standard", 3.0)["finding"]["ours"]["delay_h"]["value"] == pytest.approx(40.0)
    assert "delay 40.0" in people([trial()], "standard", 3.0)
    assert "truth: restriction of carbon from 300 h" in worst([trial()], 1)

"""Which way a flow is going, in words."""

import math
from zoneinfo import ZoneInfo

import pytest

from analysis.report.drift import Drift, Going, Since
from analysis.report.drift_words import brief, course_of, interval, rate, sentence
from config.plant import Target
from tests.analysis.report.material import NOW_S

UTC = ZoneInfo("UTC")
TARGET = Target(low_m3s=0.8, high_m3s=1.2)
FALLING = Drift(
    going=Going.FALLING, sure=True, percent=-0.4, low_percent=-0.6, high_percent=-0.2, days=28, since=None
)  # fmt: skip


def drift(going: Going, *, low: float, high: float, days: int = 28, since: Since | None = None) -> Drift:
    """No surer than likely."""
    return Drift(
        going=going, sure=False, percent=(low + high) / 2, low_percent=low, high_percent=high, days=days, since=since
    )


def plain(text: str) -> str:
    """With ordinary spaces and minus signs."""
    return text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{MINUS SIGN}", "-")


def test_a_table_has_arrow_size_and_sureness() -> None:
    """At a glance."""
    assert plain(brief(FALLING)) == "\N{DOWNWARDS ARROW} -0.40 % a day, sure"
    assert plain(brief(drift(Going.RISING, low=0.5, high=2.5))) == "\N{UPWARDS ARROW} +1.5 % a day, likely"
    assert brief(drift(Going.NOWHERE, low=-0.1, high=0.1)) == "no trend"
    assert brief(drift(Going.TOO_FEW, low=math.nan, high=math.nan)) == "too few days"
    assert plain(interval(FALLING)) == "-0.60 to -0.20"


def test_a_sentence_has_all_of_it() -> None:
    """Direction, sureness, size, interval, target, days."""
    assert plain(sentence(FALLING, 1.0, TARGET, UTC)) == (
        "Falling, sure: -0.40 % a day (90 %: -0.60 to -0.20), toward its low target, 20 % away (28 days)."
    )


def test_no_trend_says_what_would_fit() -> None:
    """No trend seen is not no trend."""
    assert plain(sentence(drift(Going.NOWHERE, low=-0.1, high=0.05), 1.0, TARGET, UTC)) == (
        "No trend: -0.10 to +0.05 % a day would all fit (28 days)."
    )


def test_a_slight_trend_is_told_as_that() -> None:
    """It is there, and need not be minded."""
    assert plain(sentence(drift(Going.NOWHERE, low=0.01, high=0.05), 1.0, TARGET, UTC)) == (
        "Hardly any trend: +0.01 to +0.05 % a day would all fit (28 days)."
    )


def test_days_that_set_no_bound() -> None:
    """Neither end is shown as a number."""
    told = sentence(drift(Going.NOWHERE, low=-math.inf, high=math.inf, days=8), 1.0, TARGET, UTC)

    assert told == "No trend can be told: the flow wanders too much for so few days (8 days)."


def test_too_few_days_say_since_when() -> None:
    """And how many it takes."""
    since = Since(at_s=NOW_S, what="media changed")
    told = sentence(drift(Going.TOO_FEW, low=math.nan, high=math.nan, days=3, since=since), 1.0, TARGET, UTC)

    assert told == "Too few days for a trend: 3 whole ones since Mon 23 Nov 2026 (media changed), and it takes 7."


@pytest.mark.parametrize(
    ("going", "level", "target", "said"),
    [
        (Going.FALLING, 1.0, TARGET, "toward its low target, 20 % away"),
        (Going.FALLING, 0.7, TARGET, "further below its low target"),
        (Going.FALLING, 1.3, TARGET, "back toward its target"),
        (Going.RISING, 1.0, TARGET, "toward its high target, 20 % away"),
        (Going.RISING, 1.3, TARGET, "further above its high target"),
        (Going.RISING, 0.7, TARGET, "back toward its target"),
        (Going.FALLING, 1.0, Target(low_m3s=None, high_m3s=1.2), ""),
        (Going.RISING, 1.0, Target(low_m3s=0.8, high_m3s=None), ""),
        (Going.FALLING, math.nan, TARGET, ""),
        (Going.FALLING, 1.0, None, ""),
    ],
)
def test_what_it_means_for_the_target(going: Going, level: float, target: Target | None, said: str) -> None:
    """On either side of either bound."""
    assert plain(course_of(going, level, target)) == said


@pytest.mark.parametrize(
    ("value", "told"), [(-0.004, "0.00"), (0.044, "+0.04"), (-0.949, "-0.95"), (-0.96, "-1.0"), (12.34, "+12.3")]
)
def test_rates(value: float, told: str) -> None:
    """A sign where there is something to sign."""
    assert plain(rate(value)) == told

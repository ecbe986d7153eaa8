"""Which way a flow is going, in words: a cell of a table, and a sentence."""

import math
from zoneinfo import ZoneInfo

from analysis.report import words
from analysis.report.drift import LEAST_DAYS, Drift, Going
from config.plant import Target

SIGN = {Going.FALLING: "\N{DOWNWARDS ARROW}", Going.RISING: "\N{UPWARDS ARROW}"}
# Rates from here on are told to a tenth of a per cent, smaller ones to a hundredth.
TENTHS_FROM = 0.95


def brief(drift: Drift) -> str:
    """For a table: "↓ -0.40 % a day, sure", "no trend" or "too few days"."""
    if drift.going not in SIGN:
        return drift.going.value
    return f"{SIGN[drift.going]}{words.SPACE}{rate(drift.percent)}{words.SPACE}% a day, {_sureness(drift)}"


def interval(drift: Drift) -> str:
    """The interval of a trend for a table: "-0.60 to -0.20"; nothing where the days set no bound."""
    if not (math.isfinite(drift.low_percent) and math.isfinite(drift.high_percent)):
        return ""
    return f"{rate(drift.low_percent)} to {rate(drift.high_percent)}"


def sentence(drift: Drift, level_m3s: float, target: Target | None, zone: ZoneInfo, *, what: str = "flow") -> str:
    """All of it: direction, size, interval, sureness, what it means for the target, and the days that it rests on.

    Args:
        drift: the trend.
        level_m3s: where the flow, or the gauge, is now, nan unknown.
        target: what it is to be.
        zone: of the plant.
        what: wanders too much for so few days.
    """
    since = "" if drift.since is None else f" since {words.day(drift.since.at_s, zone)} ({drift.since.what})"
    if drift.going is Going.TOO_FEW:
        return f"Too few days for a trend: {drift.days} whole ones{since}, and it takes {LEAST_DAYS}."
    if drift.going is Going.NOWHERE:
        return f"{_nowhere(drift, what)} ({drift.days} days{since})."
    course = course_of(drift.going, level_m3s, target)
    return (
        f"{drift.going.value.capitalize()}, {_sureness(drift)}: {rate(drift.percent)}{words.SPACE}% a day"
        f" (90{words.SPACE}%: {interval(drift) or 'no bound'}){f', {course}' if course else ''}"
        f" ({drift.days} days{since})."
    )


def course_of(going: Going, level_m3s: float, target: Target | None) -> str:
    """What going there means for the target; nothing where it means nothing."""
    if target is None or math.isnan(level_m3s):
        return ""
    falling = going is Going.FALLING
    ahead, behind = (target.low_m3s, target.high_m3s) if falling else (target.high_m3s, target.low_m3s)
    side, beyond = ("low", "below") if falling else ("high", "above")
    if behind is not None and (level_m3s > behind if falling else level_m3s < behind):
        return "back toward its target"
    if ahead is None:
        return ""
    if level_m3s < ahead if falling else level_m3s > ahead:
        return f"further {beyond} its {side} target"
    return f"toward its {side} target, {words.percent(100 * abs(ahead / level_m3s - 1))} away"


def rate(value: float) -> str:
    """A change in a day, per cent, with its sign."""
    digits = f"{abs(value):.1f}" if abs(value) >= TENTHS_FROM else f"{abs(value):.2f}"
    return digits if float(digits) == 0 else f"{words.MINUS if value < 0 else '+'}{digits}"


def _sureness(drift: Drift) -> str:
    return "sure" if drift.sure else "likely"


def _nowhere(drift: Drift, what: str) -> str:
    bounds = interval(drift)
    if not bounds:
        return f"No trend can be told: the {what} wanders too much for so few days"
    slight = drift.low_percent > 0.0 or drift.high_percent < 0.0
    return f"{'Hardly any trend' if slight else 'No trend'}: {bounds}{words.SPACE}% a day would all fit"

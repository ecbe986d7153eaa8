"""What stretch of time a report is about, in the plant's own time zone."""

import datetime as dt
import itertools
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from config.errors import InputMissing
from config.settings import PlantFile

DAY_S = 86_400
DAYS_BY_DAY = 10
DAYS_BY_WEEK = 75


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """The stretch that a report is about; all times UTC epoch seconds.

    Attributes:
        start_s, end_s: what is counted and averaged.
        trend_start_s: where the charts begin; they end at `end_s`.
        week: the ISO week ("2026-W47") where the report is about one; None otherwise.
        zone: the plant's time zone.
    """

    start_s: int
    end_s: int
    trend_start_s: int
    week: str | None
    zone: ZoneInfo


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A row of a trend's table: a local day, week or month, cut to the period; UTC epoch seconds."""

    start_s: int
    end_s: int
    unit: str


def week_bounds(week: str, zone: ZoneInfo) -> tuple[int, int]:
    """First and last moment (UTC epoch seconds) of an ISO 8601 week such as "2026-W47", Monday to Monday local time.

    Raises:
        ValueError: the text names no week.
    """
    year, mark, number = week.partition("-W")
    digits = (year + number).isascii() and (year + number).isdecimal()
    if not (mark and digits and (len(year), len(number)) == (len("2026"), len("47"))):
        raise ValueError(f"{week!r} is not an ISO week: write the year, -W and two digits, for example 2026-W47")
    monday = dt.date.fromisocalendar(int(year), int(number), 1)
    return midnight_s(monday, zone), midnight_s(monday + dt.timedelta(days=7), zone)


def midnight_s(day: dt.date, zone: ZoneInfo) -> int:
    """UTC epoch seconds of the start of a local day."""
    return int(dt.datetime.combine(day, dt.time(), tzinfo=zone).timestamp())


def local(at_s: float, zone: ZoneInfo) -> dt.datetime:
    """Local date and time of UTC epoch seconds."""
    return dt.datetime.fromtimestamp(at_s, tz=zone)


def report_period(plant_file: PlantFile, first_s: int, now_s: int, week: str | None) -> Period:
    """The period of a report written at `now_s`: the ISO week asked for, or the last `trend_days` days.

    The stretch begins at a local midnight, or at the first reading if that is later; the day of `now_s` counts as
    one, whether it is over or not.

    Args:
        plant_file: whose time zone and `trend_days` count.
        first_s: the first hour of readings, UTC epoch seconds.
        now_s: the end of the last one.
        week: such as "2026-W47", or None.

    Raises:
        ValueError: `week` names no week.
        InputMissing: the week had not begun at `now_s`, or was over at `first_s`.
    """
    zone = ZoneInfo(plant_file.plant.timezone)
    days = plant_file.settings.report.trend_days
    if week is None:
        begin_s = max(_days_before(now_s, days, zone), min(first_s, now_s))
        return Period(start_s=begin_s, end_s=now_s, trend_start_s=begin_s, week=None, zone=zone)
    start_s, week_end_s = week_bounds(week, zone)
    if start_s >= now_s:
        raise InputMissing(f"no readings in week {week}: they end before it begins. Ask for an earlier week")
    if week_end_s <= first_s:
        raise InputMissing(f"no readings in week {week}: they begin after it ends. Ask for a later week")
    end_s = min(week_end_s, now_s)
    start_s = max(start_s, first_s)
    trend_start_s = max(min(start_s, _days_before(end_s, days, zone)), first_s)
    return Period(start_s=start_s, end_s=end_s, trend_start_s=trend_start_s, week=week, zone=zone)


def _days_before(end_s: int, days: int, zone: ZoneInfo) -> int:
    """The local midnight from which `days` local days reach up to `end_s`, the last one cut short or not."""
    return midnight_s(local(end_s - 1, zone).date() - dt.timedelta(days=days - 1), zone)


def spans(period: Period) -> tuple[Span, ...]:
    """The charts' stretch cut at local days, weeks or months, so that its table keeps to a dozen rows or so."""
    unit = _span_unit(period)
    cuts = [period.trend_start_s, *_borders(period, unit), period.end_s]
    return tuple(
        Span(start_s=start_s, end_s=end_s, unit=unit) for start_s, end_s in itertools.pairwise(cuts) if end_s > start_s
    )


def ticks(period: Period) -> tuple[int, ...]:
    """Where a chart's time axis is marked: local midnights, Mondays or firsts of a month."""
    borders = _borders(period, _span_unit(period))
    step = max(1, -(-len(borders) // 7))
    return tuple(borders[::step])


def _span_unit(period: Period) -> str:
    """What the charts' stretch is cut into: "day", "week" or "month"."""
    days = (period.end_s - period.trend_start_s) / DAY_S
    return "day" if days <= DAYS_BY_DAY else "week" if days <= DAYS_BY_WEEK else "month"


def _borders(period: Period, unit: str) -> list[int]:
    """Starts of local days, weeks or months strictly inside the charts' stretch."""
    day = local(period.trend_start_s, period.zone).date() + dt.timedelta(days=1)
    found = []
    while (at_s := midnight_s(day, period.zone)) < period.end_s:
        if unit == "day" or (unit == "week" and day.weekday() == 0) or (unit == "month" and day.day == 1):
            found.append(at_s)
        day += dt.timedelta(days=1)
    return found

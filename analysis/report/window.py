"""Arithmetic of what is shown: cut to the period, average over spans, day and night, thin out for drawing."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.frames import HOUR_S, Floats
from analysis.report.period import Period, Span, local

# Lights-on differs from tank to tank; these hours are common practice, no source.
DAY_FROM_H = 8
DAY_TO_H = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One span of a trend in figures; flows m3/s, nan where no hour is known.

    `known_hours` of `hours` hold a flow; `low_m3s` and `high_m3s` are the lowest and highest hour.
    """

    span: Span
    mean_m3s: float
    low_m3s: float
    high_m3s: float
    expected_m3s: float
    known_hours: int
    hours: int


def on_grid(hours_s: Floats, values: Floats, start_s: int, end_s: int) -> tuple[Floats, Floats]:
    """Hours from `start_s` to `end_s` without holes: ([T] UTC epoch seconds, [T] or [T, M] values, nan where none)."""
    first_s = -(-start_s // HOUR_S) * HOUR_S
    grid = np.arange(first_s, end_s, HOUR_S, dtype=np.float64)
    out = np.full((len(grid), *values.shape[1:]), np.nan)
    place = np.rint((hours_s - first_s) / HOUR_S).astype(np.int64)
    inside = (place >= 0) & (place < len(grid))
    out[place[inside]] = values[inside]
    return grid, out


def mean(values: Floats) -> float:
    """Mean of the known values; nan without any."""
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else math.nan


def lowest(values: Floats) -> float:
    """Lowest known value; nan without any."""
    known = values[np.isfinite(values)]
    return float(known.min()) if known.size else math.nan


def by_day(hours_s: Floats, period: Period) -> NDArray[np.bool_]:
    """[T] whether each hour lies in the local day (08:00 to 20:00); the rest is night."""
    clock = np.array([local(float(at_s), period.zone).hour for at_s in hours_s], dtype=np.int64)
    return (clock >= DAY_FROM_H) & (clock < DAY_TO_H)


def rows(hours_s: Floats, flow_m3s: Floats, expected_m3s: Floats, spans: tuple[Span, ...]) -> tuple[Row, ...]:
    """A trend in figures, one row a span; all arrays [T], an hour counting where it begins."""
    return tuple(_row(hours_s, flow_m3s, expected_m3s, span) for span in spans)


def _row(hours_s: Floats, flow_m3s: Floats, expected_m3s: Floats, span: Span) -> Row:
    first, last = np.searchsorted(hours_s, [span.start_s, span.end_s])
    flow = flow_m3s[first:last]
    known = flow[np.isfinite(flow)]
    return Row(
        span=span,
        mean_m3s=mean(flow),
        low_m3s=float(known.min()) if known.size else math.nan,
        high_m3s=float(known.max()) if known.size else math.nan,
        expected_m3s=mean(expected_m3s[first:last]),
        known_hours=int(known.size),
        hours=int(flow.size),
    )


def thinned(hours_s: Floats, values: Floats, columns: int) -> tuple[Floats, Floats]:
    """At most two points a column of the picture: the lowest and the highest, in the order in which they came.

    A column without any known value stays a gap. Arrays [T]; returned as they are where they fit.
    """
    size = -(-len(values) // columns)
    if size <= 2:  # noqa: PLR2004 - two points a column
        return hours_s, values
    fill = -len(values) % size
    blocks = np.append(values, np.full(fill, np.nan)).reshape(-1, size)
    known = np.isfinite(blocks)
    low = np.where(known, blocks, np.inf).argmin(axis=1)
    high = np.where(known, blocks, -np.inf).argmax(axis=1)
    picks = np.sort(np.stack([low, high], axis=1), axis=1) + (np.arange(len(blocks)) * size)[:, np.newaxis]
    chosen = np.minimum(picks.ravel(), len(values) - 1)
    drawn = values[chosen].copy()
    drawn[np.repeat(~known.any(axis=1), 2)] = np.nan
    return hours_s[chosen], drawn


def lone(values: Floats) -> NDArray[np.bool_]:
    """[T] known values between two unknown ones: a line would not show them."""
    padded = np.concatenate([[False], np.isfinite(values), [False]])
    return np.asarray(padded[1:-1] & ~padded[:-2] & ~padded[2:], dtype=np.bool_)


def stretches(known: NDArray[np.bool_]) -> tuple[tuple[int, int], ...]:
    """Runs of True as (first index, index after the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    return tuple((int(first), int(last)) for first, last in edges.reshape(-1, 2))

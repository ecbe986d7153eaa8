"""How long media last: each branch's own history, from one renewal to the next."""

from collections.abc import Iterable, Sequence

import numpy as np

from analysis.assessment import FaultKind, Forecast, MediaLife
from analysis.detection.change import Change
from analysis.events import Event, EventKind
from analysis.frames import HOUR_S, Floats
from analysis.watching import Watched
from config.plant import Run

DAY_S = 86400.0
DAY_H = 24
# A journal entry and a recovery that lie no further apart than this are one renewal: flow comes back before the pen does.
SAME_S = 1.5 * DAY_S
# A life shorter than this says nothing of the next one: something was set right at once.
LEAST_S = 2.0 * DAY_S


def media_lives_of(
    watched: Watched, changes: Sequence[Change], events: Sequence[Event], forecasts: Sequence[Forecast]
) -> tuple[MediaLife, ...]:
    """The lives of all media so far, by run and in order of time; the last of each run goes on.

    Args:
        watched: the readings.
        changes: all that was raised; one that a renewal ended without a word in the journal counts as one.
        events: the journal.
        forecasts: every forecast made of them, for media that were renewed before the flow left its target.
    """
    return tuple(
        life
        for run in watched.plant.runs
        if run.media
        for life in _lives(watched, run, _renewals(watched, run, changes, events), forecasts)
    )


def _renewals(watched: Watched, run: Run, changes: Sequence[Change], events: Sequence[Event]) -> list[float]:
    """When the media of a run were renewed, UTC epoch seconds, by the journal and by flow that came back by itself."""
    noted = [
        event.at_s
        for event in events
        if event.kind is EventKind.MAINTENANCE and event.value == "media_changed" and event.target == run.name
    ]
    seen = [
        float(watched.at_s(change.cleared_h))
        for change in changes
        if change.cleared_h is not None and not change.latest.sudden
        if watched.signatures.faults[change.latest.top].kind is FaultKind.RESTRICTION
        and watched.signatures.faults[change.latest.top].subject == run.name
    ]
    unsaid = [at_s for at_s in seen if all(abs(at_s - told_s) > SAME_S for told_s in noted)]
    return sorted(at_s for at_s in (*noted, *unsaid) if at_s > watched.baseline.from_s)


def _lives(watched: Watched, run: Run, renewals: Sequence[float], forecasts: Sequence[Forecast]) -> Iterable[MediaLife]:
    ends: list[float | None] = [*renewals, None]
    begin_s = float(watched.baseline.from_s)
    for number, end_s in enumerate(ends):
        until_s = float(watched.frame.end_s) if end_s is None else end_s
        if end_s is None or until_s - begin_s >= LEAST_S:
            yield MediaLife(
                run=run.name,
                from_s=int(begin_s),
                whole=number > 0,
                to_s=None if end_s is None else int(end_s),
                lost_percent=_lost_percent(watched, run, begin_s, until_s),
                useful_s=_useful_s(watched, run, begin_s, until_s, forecasts),
            )
        begin_s = until_s


def _readings(watched: Watched, run: Run, from_s: float, to_s: float) -> Floats:
    """[T] log flow of a run over commissioned, at the logged speed, of the hours in a stretch; none without a meter."""
    if run.meter not in watched.baseline.meters:
        return np.zeros(0)
    return _of_stretch(watched, watched.readings[:, watched.baseline.meters.index(run.meter or "")], from_s, to_s)


def _of_stretch(watched: Watched, values: Floats, from_s: float, to_s: float) -> Floats:
    """The hours of a stretch among those of the watch, [T]."""
    start_s = watched.frame.start_s
    first, last = (max(int((at_s - start_s) // HOUR_S), 0) for at_s in (from_s + HOUR_S - 1, to_s))
    return values[first:last]


def _lost_percent(watched: Watched, run: Run, from_s: float, to_s: float) -> float | None:
    """How much less flow the last day has than the first, per cent; None where either was not seen."""
    readings = _readings(watched, run, from_s, to_s)
    first, last = readings[:DAY_H], readings[-DAY_H:]
    if not (np.isfinite(first).any() and np.isfinite(last).any()):
        return None
    return float(100.0 * (1.0 - np.exp(np.nanmean(last) - np.nanmean(first))))


def _useful_s(watched: Watched, run: Run, from_s: float, to_s: float, forecasts: Sequence[Forecast]) -> float | None:
    """From the renewal until the day's mean left the target; else as it was last foretold; None for neither."""
    if run.target is None or run.target.low_m3s is None or run.meter not in watched.baseline.meters:
        return None
    column = watched.baseline.meters.index(run.meter)
    limit = np.log(run.target.low_m3s / watched.baseline.flow_m3s[column])
    # the target is in flow by the K-factors of each time
    readings = _of_stretch(
        watched, watched.readings[:, column] + watched.carried[: watched.frame.hours, column], from_s, to_s
    )
    for hour in range(DAY_H, len(readings) + 1):
        day = readings[hour - DAY_H : hour]
        if np.isfinite(day).sum() > DAY_H / 2 and np.nanmean(day) < limit:
            return float(hour * HOUR_S)
    told = [one for one in forecasts if one.run == run.name and from_s < one.made_at_s <= to_s]
    return float(told[-1].below_target_at_s - from_s) if told else None

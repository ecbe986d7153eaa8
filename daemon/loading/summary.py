"""What a load did, in words and as JSON."""

from collections.abc import Iterable, Iterator
from typing import Any

from daemon.clock import utc_text
from daemon.loading.gauges import GaugeTally
from daemon.loading.session import EventsTally, Outcome
from daemon.loading.tally import FileTally, Tally


def summary_lines(outcome: Outcome) -> Iterator[str]:
    """The summary for people, line by line."""
    if outcome.backup is not None:
        yield f"the database was of an older version; it is backed up as {outcome.backup}"
    if outcome.events is not None:
        yield from _events_lines(outcome.events)
    for tally in outcome.logs:
        yield from _log_lines(tally)
    for gauged in outcome.gauges:
        yield from _gauge_lines(gauged)
    if outcome.days_dropped:
        yield (
            f"{_many(outcome.days_dropped, 'day')} of minutes dropped because of their age (store: minutes_kept_days);"
            " their hours are kept"
        )
    yield f"database {outcome.database}"


def barren(tallies: Iterable[Tally]) -> tuple[str, ...]:
    """Files that held lines and not one that was accepted: most likely another plant's, or none of their kind."""
    return tuple(
        tally.name
        for tally in tallies
        if not tally.already_loaded and not tally.accepted and any(tally.rejected.values())
    )


def _events_lines(tally: EventsTally) -> Iterator[str]:
    """An events file."""
    if tally.already_loaded:
        yield _known_line(tally.name)
        return
    yield f"{tally.name}: {_many(tally.new, 'new event')}, {tally.known:,} known before"
    yield from _rejected_lines(tally.rejected)


def _log_lines(tally: FileTally) -> Iterator[str]:
    """A log file."""
    if tally.already_loaded:
        yield _known_line(tally.name)
        return
    meters = f"{_many(len(tally.meters), 'meter')} ({', '.join(tally.meters)})" if tally.meters else "no meter"
    yield f"{tally.name}: {_many(tally.accepted, 'reading')} of {meters}"
    yield from _span_lines(tally)
    gaps = f"{_many(tally.gaps, 'gap')} too long to know the flow in"
    if tally.gaps:
        gaps += f" ({tally.gap_s / 3600:,.1f} hours over all meters)"
    yield f"  {_many(tally.doubled, 'doubled line')}, {tally.late:,} late, {_many(tally.restarts, 'counter restart')}"
    yield f"  {gaps}"
    yield from _too_late_lines(tally)
    yield from _damage_lines(tally.damage)
    yield from _rejected_lines(tally.rejected)


def _gauge_lines(tally: GaugeTally) -> Iterator[str]:
    """A gauge file."""
    if tally.already_loaded:
        yield _known_line(tally.name)
        return
    gauges = f"{_many(len(tally.gauges), 'gauge')} ({', '.join(tally.gauges)})" if tally.gauges else "no gauge"
    yield f"{tally.name}: {_many(tally.accepted, 'value')} of {gauges}"
    yield from _span_lines(tally)
    yield f"  {_many(tally.doubled, 'doubled line')}"
    yield from _too_late_lines(tally)
    yield from _damage_lines(tally.damage)
    yield from _rejected_lines(tally.rejected)


def _known_line(name: str) -> str:
    """A file whose content is in already."""
    return f"{name}: already loaded, nothing to do (--again reads it once more)"


def _span_lines(tally: Tally) -> Iterator[str]:
    """From when to when a file speaks."""
    if tally.first_ms is not None and tally.last_ms is not None:
        yield f"  from {_utc(tally.first_ms)} to {_utc(tally.last_ms)}"


def _span_json(tally: Tally) -> dict[str, str | None]:
    """The same for machines."""
    return {
        "from": None if tally.first_ms is None else _utc(tally.first_ms),
        "to": None if tally.last_ms is None else _utc(tally.last_ms),
    }


def _too_late_lines(tally: Tally) -> Iterator[str]:
    """What came when the hours could not take it in any more."""
    if tally.too_late:
        yield (
            f"  {tally.too_late:,} too late, which change nothing: the minutes of their hours were dropped because of their"
            " age (store: minutes_kept_days), and those hours hold more"
        )


def _damage_lines(damage: str | None) -> Iterator[str]:
    """What is wrong with a compressed file."""
    if damage is not None:
        yield f"  {damage}: what could be read before that is in; load a whole copy when you have one"


def _rejected_lines(rejected: dict[str, int]) -> Iterator[str]:
    """Refused lines by reason, the most frequent first."""
    if not rejected:
        return
    yield f"  {_many(sum(rejected.values()), 'line')} refused, kept in quarantine:"
    for reason, times in sorted(rejected.items(), key=lambda item: (-item[1], item[0])):
        yield f"    {times:,} x {reason}"


def summary_json(outcome: Outcome) -> dict[str, Any]:
    """The summary for machines."""
    return {
        "database": str(outcome.database),
        "events": None if outcome.events is None else _events_json(outcome.events),
        "logs": [_log_json(tally) for tally in outcome.logs],
        "gauges": [_gauge_json(tally) for tally in outcome.gauges],
        "days_dropped": outcome.days_dropped,
    }


def _events_json(tally: EventsTally) -> dict[str, Any]:
    """An events file."""
    return {
        "name": tally.name,
        "already_loaded": tally.already_loaded,
        "lines": tally.lines,
        "new": tally.new,
        "known": tally.known,
        "rejected": tally.rejected,
    }


def _log_json(tally: FileTally) -> dict[str, Any]:
    """A log file."""
    return {
        "name": tally.name,
        "already_loaded": tally.already_loaded,
        "lines": tally.lines,
        "readings": tally.accepted,
        "meters": list(tally.meters),
        **_span_json(tally),
        "doubled": tally.doubled,
        "late": tally.late,
        "restarts": tally.restarts,
        "wraps": tally.wraps,
        "gaps": tally.gaps,
        "gap_hours": round(tally.gap_s / 3600, 3),
        "too_late": tally.too_late,
        "damage": tally.damage,
        "rejected": tally.rejected,
    }


def _gauge_json(tally: GaugeTally) -> dict[str, Any]:
    """A gauge file."""
    return {
        "name": tally.name,
        "already_loaded": tally.already_loaded,
        "lines": tally.lines,
        "values": tally.accepted,
        "gauges": list(tally.gauges),
        **_span_json(tally),
        "doubled": tally.doubled,
        "too_late": tally.too_late,
        "damage": tally.damage,
        "rejected": tally.rejected,
    }


def _utc(at_ms: int) -> str:
    return utc_text(at_ms / 1000)


def _many(number: int, noun: str) -> str:
    """A number with its noun."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"

"""When the states are worth writing: at each change that somebody would act on, and every ten minutes. Pure.

A commit costs a card by the page, and the states take one beside the rows'. What changes all the time in them, the
newest readings, is in the rows too; so most minutes the rows are written alone, and tell that the collector lives.
"""

from collections.abc import Mapping
from typing import Any

STATES_EVERY_S = 600.0
FRESH_MS = 120_000
"""Rows tell that the collector lives if the newest reading is no older, or dated no further ahead."""
States = Mapping[str, Mapping[str, Any]]

_ALWAYS_MOVING = frozenset(
    (
        "good",
        "count",
        "uptime_ms",
        "at_ms",
        "steady_ms",
        "edges",
        "doubled",
        "value",
        "passed_over",
        "newest_ms",
        "newest_dated_ms",
        "ahead_ms",
    )
)


class StateNews:
    """Remembers what was written last."""

    def __init__(self) -> None:
        self._written: object = None
        self._written_at_s: float | None = None

    def wanted(self, states: States, *, rows: int, newest_ms: int | None, now_ms: int, steady_s: float) -> States:
        """What of the states a commit is to write: all, or nothing.

        Args:
            states: by name (daemon.tally).
            rows: how many the commit holds.
            newest_ms: time of the newest reading, as it is shown; None before the first.
            now_ms: the wall clock; both UTC epoch ms.
            steady_s: the monotonic clock.
        """
        rows_tell = rows > 0 and newest_ms is not None and abs(now_ms - newest_ms) <= FRESH_MS
        if not rows_tell or self._written_at_s is None or steady_s - self._written_at_s >= STATES_EVERY_S:
            return states
        return states if _standing(states) != self._written else {}

    def written(self, states: States, *, steady_s: float) -> None:
        """They are in the database; nothing is where there were none."""
        if states:
            self._written, self._written_at_s = _standing(states), steady_s


def _standing(value: Any) -> Any:
    """A state without what moves all the time, of which only stays whether it is known."""
    if not isinstance(value, Mapping):
        return value
    return {name: inner is not None if name in _ALWAYS_MOVING else _standing(inner) for name, inner in value.items()}

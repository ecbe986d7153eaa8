"""When the states are written."""

import copy
from typing import Any

import pytest

from daemon.state_news import FRESH_MS, STATES_EVERY_S, StateNews

NOW_MS = 1_800_000_000_000
STATES: dict[str, dict[str, Any]] = {
    "collector": {
        "pid": 7,
        "stopped_ms": None,
        "lost": 0,
        "clock": {"known": True, "ahead_ms": 0, "stepped_ms": None, "newest_ms": NOW_MS, "newest_dated_ms": NOW_MS},
        "jobs": {"assess": {"next_ms": NOW_MS, "running_since_ms": None}},
    },
    "serial:bench": {
        "up": True,
        "words": "port open",
        "good": 9,
        "meters": {"M1": {"count": 5, "uptime_ms": 9, "at_ms": 3, "steady_ms": 4, "boot": "b", "edges": 2}, "M2": {}},
    },
}


def later(*path: str, value: object) -> dict[str, dict[str, Any]]:
    """The states with one thing changed."""
    changed = copy.deepcopy(STATES)
    inner: dict[str, Any] = changed
    for name in path[:-1]:
        inner = inner[name]
    inner[path[-1]] = value
    return changed


def wanted(
    states: dict[str, dict[str, Any]], *, after_s: float = 60.0, rows: int = 20, newest_ms: int | None = NOW_MS
) -> bool:
    """Whether states are written with a commit some time after STATES were."""
    news = StateNews()
    asked = {"rows": rows, "newest_ms": newest_ms, "now_ms": NOW_MS}
    assert news.wanted(STATES, steady_s=1000.0, **asked) is STATES  # type: ignore[arg-type]  # by name
    news.written(STATES, steady_s=1000.0)
    found = news.wanted(states, steady_s=1000.0 + after_s, **asked)  # type: ignore[arg-type]  # by name
    assert found in ({}, states)
    return bool(found)


@pytest.mark.parametrize(
    "path",
    [
        ("serial:bench", "good"),
        ("serial:bench", "meters", "M1", "count"),
        ("serial:bench", "meters", "M1", "edges"),
        ("serial:bench", "meters", "M1", "at_ms"),
        ("collector", "clock", "newest_ms"),
    ],
)
def test_what_moves_all_the_time_is_no_news(path: tuple[str, ...]) -> None:
    """The rows say it too: it is written now and then."""
    assert not wanted(later(*path, value=99))
    assert wanted(later(*path, value=99), after_s=STATES_EVERY_S)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("serial:bench", "up"), False),
        (("serial:bench", "words"), "port gone: unplugged?"),
        (("serial:bench", "meters", "M1", "restarts"), 1),
        (("serial:bench", "meters", "M2", "count"), 1),
        (("collector", "lost"), 1),
        (("collector", "stopped_ms"), NOW_MS),
        (("collector", "clock", "known"), False),
        (("collector", "clock", "stepped_ms"), NOW_MS),
        (("collector", "jobs", "assess", "next_ms"), NOW_MS + 600_000),
    ],
)
def test_a_change_is_written_at_once(path: tuple[str, ...], value: object) -> None:
    """A source, a restart, a meter heard for the first time, losses, the stop, the clock, a job that is done."""
    assert wanted(later(*path, value=value))


def test_the_first_reading_is_news() -> None:
    """What nobody had heard of before is noted, and up to when readings are in."""
    news = StateNews()
    asked: dict[str, Any] = {"rows": 20, "newest_ms": NOW_MS, "now_ms": NOW_MS}
    news.written(later("collector", "clock", "newest_dated_ms", value=None), steady_s=0.0)
    assert news.wanted(STATES, steady_s=1.0, **asked) is STATES


def test_a_commit_that_tells_nothing_else_holds_the_states() -> None:
    """No rows, or only old ones, or none that anybody has dated: the states are the sign of life."""
    assert not wanted(STATES)
    assert wanted(STATES, rows=0)
    assert wanted(STATES, newest_ms=None)
    assert wanted(STATES, newest_ms=NOW_MS - FRESH_MS - 1)
    assert wanted(STATES, newest_ms=NOW_MS + FRESH_MS + 1)


def test_what_was_not_written_stays_news() -> None:
    """A commit that failed, or that held rows alone, has not told it."""
    news = StateNews()
    asked: dict[str, Any] = {"rows": 20, "newest_ms": NOW_MS, "now_ms": NOW_MS}
    assert news.wanted(STATES, steady_s=0.0, **asked) is STATES
    assert news.wanted(STATES, steady_s=1.0, **asked) is STATES
    news.written({}, steady_s=1.0)
    assert news.wanted(STATES, steady_s=2.0, **asked) is STATES

"""When a job writes."""

import pathlib

import pytest

from daemon.collecting import Claim
from daemon.collector import LATE_MS, TICK_S
from daemon.jobs.turn import TURN_S, WRITE_PAST_S, until_turn_s, wait_for_turn
from daemon.store.prepare import prepare_store

MINUTE_S = 1_800_000_000.0
JOURNAL_S = 5.0
"""ext4 commits its journal so long after the first change (Documentation/admin-guide/ext4.rst, `commit=`)."""


def test_a_turn_comes_after_the_collector_and_before_the_journal() -> None:
    """Whenever within its two seconds the collector looks, the journal has not yet taken what it wrote."""
    earliest_s, latest_s = LATE_MS / 1000, LATE_MS / 1000 + TICK_S

    assert latest_s < WRITE_PAST_S
    assert earliest_s + JOURNAL_S > WRITE_PAST_S + TURN_S


@pytest.mark.parametrize(("past_s", "waits_s"), [(0.0, 8.0), (8.0, 0.0), (9.5, 0.0), (10.0, 58.0), (59.0, 9.0)])
def test_the_wait_ends_at_the_next_turn(past_s: float, waits_s: float) -> None:
    """At most a minute away."""
    assert until_turn_s(MINUTE_S + past_s) == pytest.approx(waits_s)


def test_nobody_waits_where_nobody_collects(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The wait is for the collector's sake."""
    waits: list[float] = []
    monkeypatch.setattr("daemon.jobs.turn.time.sleep", waits.append)
    db = tmp_path / "rack.db"
    prepare_store(db)
    wait_for_turn(db)
    assert waits == []
    claim = Claim(str(db))
    claim.hold()
    wait_for_turn(db)
    claim.let_go()
    assert len(waits) == 1

"""A week of simulated time: what the always-on process needs does not grow."""

import json
import pathlib
import statistics
import subprocess
import sys
from typing import Any

import pytest

from daemon.store.prepare import prepare_store
from tests.support.fault_disks import folder_in_memory

TOP = pathlib.Path(__file__).parents[3]
DAY_MINUTES = 1440
WEEK_MINUTES = 7 * DAY_MINUTES
FULL_MINUTES = 240
"""So long at a reading a second; after that three a minute, which make the same rows."""
WARM_MINUTES = 3 * DAY_MINUTES
"""By then the database's cache, and every table that grows to a bound, are full."""
MOST_KB_A_DAY = 100
MOST_LOG_KB = 2_000


@pytest.fixture(scope="module")
def week() -> dict[str, Any]:
    """Twenty meters for a week, in a process of its own."""
    with folder_in_memory() as folder:
        db = folder / "rack.db"
        prepare_store(db)
        done = subprocess.run(
            [sys.executable, "-m", "tests.support.fault_week", db, str(WEEK_MINUTES), str(FULL_MINUTES)],
            check=True,
            capture_output=True,
            text=True,
            cwd=TOP,
        )
    found = json.loads(done.stdout)
    assert isinstance(found, dict)
    return found


def test_every_reading_was_taken(week: dict[str, Any]) -> None:
    """Nothing was turned away, and all of it was written at the end."""
    assert week["written"]
    assert week["read"] == week["sent"] == 20 * (60 * FULL_MINUTES + 3 * (WEEK_MINUTES - FULL_MINUTES))


def test_memory_is_flat(week: dict[str, Any]) -> None:
    """Once warm, the resident memory grows by less than 0.1 MB a day."""
    warm = [sample for sample in week["samples"] if sample["minute"] >= WARM_MINUTES]
    days = [sample["minute"] / DAY_MINUTES for sample in warm]
    slope, _ = statistics.linear_regression(days, [sample["resident_kb"] for sample in warm])

    assert len(warm) >= 16
    assert slope < MOST_KB_A_DAY


def test_no_descriptor_is_left_open(week: dict[str, Any]) -> None:
    """As many files are open at the end as at the beginning."""
    assert len({sample["descriptors"] for sample in week["samples"]}) == 1


def test_the_log_stays_short(week: dict[str, Any]) -> None:
    """The write-ahead log is used over and over."""
    assert max(sample["wal_kb"] for sample in week["samples"]) < MOST_LOG_KB

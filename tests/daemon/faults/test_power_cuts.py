"""The power goes at any moment: two thousand cuts replayed from a record of what the collector wrote."""

import bisect
import contextlib
import pathlib
import random
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator

import pytest

from daemon.store.prepare import prepare_store
from tests.support.fault_disks import folder_in_memory
from tests.support.fault_power import Card, Operation, read_record
from tests.support.fault_shims import needs_compiler, preloading
from tests.support.fault_week import EPOCH_S

TOP = pathlib.Path(__file__).parents[3]
MINUTES = 360
CUTS = 2000
LYING_CUTS = 100
METERS = 20
KEPT = f"""
SELECT count(*), count(DISTINCT minute), count(DISTINCT meter),
    ifnull(sum(count != ((minute * 60000 + at_ms) / 1000 - {EPOCH_S} - 500) * (10 + 3 * meter)), 0)
FROM minute
"""  # noqa: S608 - a number of ours
"""Rows, minutes, meters, and rows whose count is not what the counter sent at that time."""

pytestmark = needs_compiler


@pytest.fixture(scope="module")
def memory() -> Iterator[pathlib.Path]:
    """A folder in memory where there is one: replays write hundreds of megabytes."""
    with folder_in_memory() as folder:
        yield folder


@pytest.fixture(scope="module")
def record(memory: pathlib.Path) -> list[Operation]:
    """What six hours of twenty meters do to the card, from an empty database to a clean stop."""
    card = memory / "card"
    card.mkdir()
    prepare_store(memory / "empty.db")
    shutil.copy(memory / "empty.db", card / "rack.db")
    subprocess.run(
        [sys.executable, "-m", "tests.support.fault_week", card / "rack.db", str(MINUTES), "0", card / "promised"],
        check=True,
        cwd=TOP,
        stdout=subprocess.DEVNULL,
        env=preloading("fault_record.c", memory, RECORD_UNDER=f"{card}/", RECORD_TO=str(memory / "operations")),
    )
    before = Operation(kind="W", name="rack.db", offset=0, data=(memory / "empty.db").read_bytes())
    done = (operation for operation in read_record(memory / "operations") if operation.name != "rack.db-shm")
    return [before, Operation(kind="S", name="rack.db", offset=0, data=b""), *done]


def cut(record: list[Operation], memory: pathlib.Path, *, cuts: int, lies: bool = False) -> Iterator[tuple[int, str]]:
    """For each of so many cuts: promised rows that are lost, and what the integrity check says."""
    chance = random.Random(f"{cuts} {lies}")  # noqa: S311 - moments, not secrets
    moments = sorted(chance.randrange(2, len(record) + 1) for _ in range(cuts))
    card, promised = Card(lies=lies), 0
    for number, operation in enumerate(record, 1):
        if operation.name == "promised":
            promised += sum(int(line.split()[0]) for line in operation.data.decode().splitlines())
        else:
            card.do(operation)
        for _ in range(bisect.bisect_right(moments, number) - bisect.bisect_left(moments, number)):
            yield look(card, memory, chance, promised=promised)


def look(card: Card, memory: pathlib.Path, chance: random.Random, *, promised: int) -> tuple[int, str]:
    """Start again after a cut: rows missing from the promised ones, and the word of the integrity check."""
    for name in ("rack.db", "rack.db-wal", "rack.db-shm"):
        (memory / name).unlink(missing_ok=True)
        if name in card.files:
            (memory / name).write_bytes(card.files[name].after_cut(chance))
    try:
        with contextlib.closing(sqlite3.connect(memory / "rack.db")) as connection:
            (word,) = connection.execute("PRAGMA integrity_check").fetchone()
            kept, minutes, meters, wrong = connection.execute(KEPT).fetchone()
    except sqlite3.DatabaseError as error:
        return promised, str(error)
    assert (kept, wrong) == (minutes * meters, 0), "half a minute's rows, or other counts than were sent"
    return max(0, promised - kept), word


def test_two_thousand_power_cuts(record: list[Operation], memory: pathlib.Path) -> None:
    """Whatever a card kept of what was not synced: the file is whole, and every promised row is in it."""
    assert sum(operation.kind == "S" and operation.name == "rack.db" for operation in record) >= 10, "checkpoints"
    found = list(cut(record, memory, cuts=CUTS))

    assert len(found) == CUTS
    assert [each for each in found if each != (0, "ok")] == []


def test_the_replay_can_tell(record: list[Operation], memory: pathlib.Path) -> None:
    """On a card that only says that it has synced, the same record loses rows: the check above is one that can fail."""
    found = list(cut(record, memory, cuts=LYING_CUTS, lies=True))

    assert sum(lost > 0 or word != "ok" for lost, word in found) > LYING_CUTS / 2


def test_all_that_was_promised_was_recorded(record: list[Operation]) -> None:
    """The record holds a promise for each minute of each meter."""
    lines = b"".join(operation.data for operation in record if operation.name == "promised").decode().splitlines()

    assert sum(int(line.split()[0]) for line in lines) == METERS * (MINUTES + 1)

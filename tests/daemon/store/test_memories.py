"""What assessments keep for the next one."""

import itertools
import sqlite3

import pytest

from analysis.detection.memory import Memory
from daemon.store.memories import keep_memory, read_memories
from daemon.store.opening import open_writer
from daemon.store.prepare import prepare_store


@pytest.fixture
def store(tmp_path_factory: pytest.TempPathFactory) -> sqlite3.Connection:
    """An empty database."""
    path = tmp_path_factory.mktemp("store") / "rack.db"
    prepare_store(path)
    return open_writer(path)


def kept_hours(store: sqlite3.Connection, *hours: int) -> list[int]:
    """Hours of what is left after keeping memories of some hours one after the other."""
    for hour in hours:
        keep_memory(store, Memory(hour=hour, digest=f"d{hour}", body=bytes([hour % 256])))
    left = [memory.hour for memory in read_memories(store)]
    store.close()
    return left


def test_a_memory_comes_back(store: sqlite3.Connection) -> None:
    """Byte by byte."""
    memory = Memory(hour=7, digest="abc", body=bytes(range(256)))
    keep_memory(store, memory)

    assert read_memories(store) == (memory,)
    store.close()


def test_a_memory_of_before_they_were_packed_comes_back(store: sqlite3.Connection) -> None:
    """As it is, a line of JSON and numbers; and what is kept now takes less room than it is long."""
    body = b'{"head": 1}\n' + bytes(2000)
    store.execute("INSERT INTO watch_memory (hour, digest, body) VALUES (7, 'abc', ?)", (body,))
    assert read_memories(store) == (Memory(hour=7, digest="abc", body=body),)
    keep_memory(store, Memory(hour=8, digest="abc", body=body))

    assert read_memories(store)[1].body == body
    assert store.execute("SELECT length(body) < 200 FROM watch_memory WHERE hour = 8").fetchone() == (1,)
    store.close()


def test_a_few_of_the_older_ones_stay(store: sqlite3.Connection) -> None:
    """A year of twice a day leaves a handful, and one that is a week old: late lines and last week go back to those."""
    newest = 12 * 730

    kept = kept_hours(store, *range(0, newest + 1, 12))

    assert kept[-2:] == [newest - 12, newest]
    assert len(kept) <= 6
    assert newest - 10 * 24 <= kept[0] <= newest - 7 * 24
    assert max(later - hour for hour, later in itertools.pairwise(kept)) <= 3 * 24


def test_what_is_later_did_not_fit(store: sqlite3.Connection) -> None:
    """After a new commissioning the hours count from another start."""
    assert kept_hours(store, 500, 512, 100) == [100]

"""The collector's log: one line a change of state or of its cause, and none for each try."""

import collections
import logging
import pathlib
import threading

import pytest

from daemon.collecting import collect
from daemon.plan import BrokerPlan, CollectPlan, FeedPlan, PortPlan
from daemon.rig import Rig
from daemon.sources.backoff import Backoff
from daemon.store.prepare import prepare_store
from tests.support.mosquitto import Mosquitto, needs_mosquitto
from tests.support.waiting import wait_until

MANY_TRIES = 25


class Tries:
    """Counts how often a source has tried in vain."""

    def __init__(self) -> None:
        self.count: collections.Counter[str] = collections.Counter()

    def next_s(self) -> float:
        """A short wait in place of the real one."""
        self.count[threading.current_thread().name] += 1
        return 0.01

    @property
    def all_many(self) -> bool:
        """Whether both sources have tried often."""
        return len(self.count) == 2 and min(self.count.values()) >= MANY_TRIES


def plan_of(folder: pathlib.Path, broker_port: int) -> CollectPlan:
    """A meter on a port and one on a topic."""
    feed = FeedPlan(topic="rack/2", meter="M2", bits=32)
    return CollectPlan(
        plant="Slate cove",
        db=str(folder / "cove.db"),
        bits={"M1": 32, "M2": 32},
        ports=(PortPlan(name="bench", port=str(folder / "counter"), baud=38400, channels=((1, "M1"),)),),
        brokers=(BrokerPlan(name="shed", host="127.0.0.1", port=broker_port, client_id="test", feeds=(feed,)),),
    )


@needs_mosquitto
def test_a_port_and_a_broker_that_fail_and_come_back(
    tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A hundred tries in vain are a line each for what changes: down, up, gone, and why it does not come back."""
    caplog.set_level(logging.INFO)
    monkeypatch.setattr("daemon.collector.TICK_S", 0.02)
    # a source's state is its last words: a change of them is told once
    tries = Tries()
    monkeypatch.setattr(Backoff, "next_s", tries.next_s)
    prepare_store(tmp_path / "cove.db")
    (tmp_path / "broker").mkdir()
    broker = Mosquitto(tmp_path / "broker")

    def said(event: str) -> int:
        return sum(message.startswith(f"{event} ") for message in caplog.messages)

    stopping = threading.Event()
    collecting = threading.Thread(target=collect, args=(plan_of(tmp_path, broker.port), stopping))
    collecting.start()
    try:
        wait_until(lambda: tries.all_many, timeout_s=30)
        # what a source says reaches the log with the collector's next round
        wait_until(lambda: (said("source_down"), said("source_up")) == (2, 0))
        with broker, Rig([50.0], period_ms=20, link=tmp_path / "counter"):
            wait_until(lambda: said("source_up") == 2, timeout_s=30)
        tries.count.clear()
        wait_until(lambda: tries.all_many, timeout_s=30)
        wait_until(lambda: (said("source_down"), said("source_up")) == (6, 2))
    finally:
        stopping.set()
        collecting.join(20)

    lines = [message for message in caplog.messages if message.startswith("source_")]
    assert [line for line in lines if "mqtt:shed" in line] == [
        'source_down source=mqtt:shed why="connection refused: is the broker running, and is the port right?"',
        "source_up source=mqtt:shed why=connected",
        'source_down source=mqtt:shed why="connection lost"',
        'source_down source=mqtt:shed why="connection refused: is the broker running, and is the port right?"',
    ]
    assert [line.split()[0] for line in lines if "serial:bench" in line] == [
        "source_down",
        "source_up",
        *["source_down"] * 2,
    ]

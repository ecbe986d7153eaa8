"""A collector whose source says what it is told, over a real database."""

import json
import os
import pathlib
import threading
from collections.abc import Sequence

from daemon.batch_store import BatchStore
from daemon.collector import Collector
from daemon.inbox import Inbox, Item
from daemon.sdnotify import ServiceManager
from daemon.sources.source import Source
from daemon.store import writer
from daemon.store.gauges import gauge_ids
from tests.support.databases import rows


class Script(Source):
    """A source that offers what it was given, then waits for the stop."""

    def __init__(self, items: Sequence[Item], inbox: Inbox) -> None:
        super().__init__("serial:bench", "/dev/null", inbox)
        self._items = items
        self.done = threading.Event()

    def _run(self) -> None:
        self._say(up=True, words="port open")
        for item in self._items:
            self._inbox.offer([item])
        self.done.set()
        self._stopping.wait()


def run(db: pathlib.Path, items: Sequence[Item], *, inbox: Inbox | None = None) -> tuple[Collector, bool]:
    """Collect what a scripted source brings, then stop; the collector and whether all was written."""
    box = inbox or Inbox()
    source = Script(items, box)
    collector = collector_of(db, source, box)
    stopping = threading.Event()

    def stop_when_done() -> None:
        source.done.wait(10)
        stopping.set()

    stopper = threading.Thread(target=stop_when_done)
    stopper.start()
    written = collector.run(stopping)
    stopper.join()
    return collector, written


def collector_of(db: pathlib.Path, source: Source, inbox: Inbox) -> Collector:
    """A collector of one meter."""
    connection = writer.open_writer(db)
    numbers = writer.meter_ids(connection, ["M1"])
    (mains,) = gauge_ids(connection, ["mains"])
    return Collector(
        meters={"M1": (numbers["M1"], 32)},
        sources=[(source, ["M1"])],
        store=BatchStore(connection, kept_lines=100),
        inbox=inbox,
        manager=ServiceManager({}, pid=os.getpid()),
        gauges={"mains": mains},
    )


def state(db: pathlib.Path, name: str) -> dict[str, object]:
    """A stored state."""
    ((body,),) = rows(db, f"SELECT body FROM source_state WHERE name = '{name}'")  # noqa: S608 - a test's own name
    decoded = json.loads(str(body))
    assert isinstance(decoded, dict)
    return decoded

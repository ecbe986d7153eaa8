"""The always-on process: `python -m daemon.collecting FD` reads its plan from an open file and collects.

It is started by `clearbore collect`, which has checked the plant file and prepared the database, and it imports
neither the analysis nor anything heavy.
"""

import fcntl
import logging
import os
import pathlib
import signal
import sqlite3
import sys
import threading
import time
from collections.abc import Sequence

from config.errors import ClearboreError, SourceUnavailable, StoreError
from daemon import clock
from daemon.batch_store import BatchStore
from daemon.collector import Collector
from daemon.inbox import Inbox
from daemon.jobs.jobs import Jobs
from daemon.plan import BrokerPlan, CollectPlan, from_json
from daemon.sdnotify import ServiceManager
from daemon.sources.source import Source
from daemon.store import writer
from daemon.store.blocks import first_minute
from daemon.store.gauges import gauge_ids
from daemon.store.job_runs import read_job_histories
from daemon.store.opening import open_lean_writer, storage_errors

FAULT_EXIT_CODE = 70


def main() -> None:
    """Collect by the plan in the file descriptor that the first argument numbers."""
    with open(int(sys.argv[1]), encoding="utf-8") as file:  # noqa: PTH123 - a descriptor has no path
        plan = from_json(file.read())
    logging.basicConfig(level=logging.INFO, handlers=[_log_handler()])
    stopping = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopping.set())
    try:
        sys.exit(collect(plan, stopping))
    except ClearboreError as error:
        print(error, file=sys.stderr)  # noqa: T201 - the last word to whoever started us
        sys.exit(error.exit_code)


def collect(plan: CollectPlan, stopping: threading.Event) -> int:
    """Collect until `stopping` is set or the plan's time is over.

    Returns:
        The exit code: 0, or FAULT_EXIT_CODE if a source's thread died.

    Raises:
        StoreError: the database cannot be opened, another collector has it, or the last rows could not be written.
        SourceUnavailable: a run of limited time has read nothing at all.
    """
    inbox = Inbox()
    claim = Claim(plan.db)
    claim.hold()
    connection = open_lean_writer(plan.db)

    def reopen() -> sqlite3.Connection:
        claim.let_go()
        claim.hold()
        return open_lean_writer(plan.db)

    with storage_errors(plan.db):
        numbers = writer.meter_ids(connection, plan.bits)
        writer.lay_out_log(connection, plan.db)
        collector = Collector(
            meters={meter: (numbers[meter], bits) for meter, bits in plan.bits.items()},
            sources=_sources(plan, inbox),
            store=BatchStore(connection, kept_lines=plan.quarantine_kept_lines, reopen=reopen),
            inbox=inbox,
            manager=ServiceManager(os.environ, pid=os.getpid()),
            clock_set_file=plan.clock_set_file,
            jobs=_jobs(plan, connection),
            gauges=dict(zip(plan.gauges, gauge_ids(connection, plan.gauges), strict=True)),
        )
    if not collector.run(stopping, seconds=plan.seconds):
        raise StoreError(f"{plan.db}: the last readings could not be written; the log says why")
    if plan.seconds is not None and not collector.read and not stopping.is_set():
        said = "; ".join(f"{name}: {words}" for name, words in collector.words.items())
        raise SourceUnavailable(f"nothing was read in {plan.seconds:g} s. {said}")
    return FAULT_EXIT_CODE if collector.dead_sources else 0


def _sources(plan: CollectPlan, inbox: Inbox) -> list[tuple[Source, Sequence[str]]]:
    """All sources of the plan, with the meters that each feeds; what none needs is not imported."""
    sources: list[tuple[Source, Sequence[str]]] = []
    if plan.ports:
        from daemon.sources.serial_port import SerialPortSource  # noqa: PLC0415 - only where there is a port

        for port in plan.ports:
            fed = [meter for _, meter in port.channels]
            sources.append((SerialPortSource(port, dict(plan.bits), inbox), fed))
    if plan.brokers:
        from daemon.sources.mqtt_topic import MqttSource  # noqa: PLC0415 - 10 MB and 40 ms, only where there is a broker

        sources += [(MqttSource(broker, inbox), _fed(broker)) for broker in plan.brokers]
    return sources


def _jobs(plan: CollectPlan, connection: sqlite3.Connection) -> Jobs | None:
    """What is done beside the collecting; None for nothing."""
    if plan.jobs is None:
        return None
    first = first_minute(connection)
    return Jobs(
        plan.jobs,
        db=plan.db,
        histories=read_job_histories(connection),
        first_s=None if first is None else 60.0 * first,
        now_s=clock.now_s(),
        steady_s=clock.monotonic_s(),
    )


def _fed(broker: BrokerPlan) -> list[str]:
    """The meters that a broker feeds."""
    return [feed.meter for feed in broker.feeds]


class Claim:
    """The database, for this collector alone until the process ends.

    The descriptor stays open on purpose: closing it would release SQLite's own locks on the file.
    """

    def __init__(self, db: str) -> None:
        self._db = db
        self._descriptor: int | None = None

    def hold(self) -> None:
        """Take hold of the file.

        Raises:
            StoreError: the file cannot be opened, or another collector holds it.
        """
        try:
            self._descriptor = os.open(pathlib.Path(self._db), os.O_RDONLY | os.O_CLOEXEC)
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise StoreError(
                f"{self._db}: another `clearbore collect` writes to this database; stop it first"
            ) from None
        except OSError as error:
            raise StoreError(f"{self._db}: the database cannot be opened ({error.strerror})") from error

    def let_go(self) -> None:
        """Have no file open, so that a card can be taken away; only while SQLite has none open either."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


def _log_handler() -> logging.Handler:
    """Lines to standard error, with UTC times unless they go to the journal, which has its own."""
    journal = "JOURNAL_STREAM" in os.environ
    formatter = logging.Formatter("%(message)s" if journal else "%(asctime)sZ %(levelname)s %(message)s")
    formatter.default_time_format = "%Y-%m-%dT%H:%M:%S"
    formatter.default_msec_format = "%s.%03d"
    formatter.converter = time.gmtime
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(formatter)
    return handler


if __name__ == "__main__":
    main()

"""A collecting process in a hurry, to be killed and starved: `python -m tests.support.fault_collect ORDERS.json`.

It is the collector as it is, on clocks that run some hundred times faster, so that a minute is over in a fraction of a
second. It tells in a file which rows it was promised to be on the disk. As a nursery it forks one such process for each
line on its standard input, so that two hundred starts cost no two hundred imports.
"""

import json
import logging
import os
import signal
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from typing import Any

from config.errors import ClearboreError
from daemon import clock, collecting, collector
from daemon.plan import CollectPlan, PortPlan
from daemon.sources import serial_port
from daemon.store.merging import MinuteRow
from tests.support.fault_promises import tell_commits


def main() -> None:
    """Collect at once, or with a second argument be the nursery."""
    with open(sys.argv[1], encoding="utf-8") as file:  # noqa: PTH123 - a child has no use for pathlib
        orders = json.load(file)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    hurry(orders)
    if len(sys.argv) == 2:
        sys.exit(collect(orders))
    for line in sys.stdin:
        pid = os.fork()
        if not pid:
            os._exit(collect(orders))
        print(pid, flush=True)  # noqa: T201 - the answer
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), line.strip(), flush=True)  # noqa: T201 - the answer


def hurry(orders: Mapping[str, Any]) -> None:
    """Let the clocks run faster, and everything that waits in real time wait less."""
    speed, booted_s, started_s = (float(orders[name]) for name in ("speed", "booted_s", "started_s"))

    def monotonic_s() -> float:
        return booted_s + (time.monotonic() - started_s) * speed

    def now_s() -> float:
        stepped_s = time.time() - time.monotonic() - orders["wall_less_steady_s"]
        return float(orders["epoch_s"] + monotonic_s() + stepped_s)

    for module, name, value in (
        (clock, "monotonic_s", monotonic_s),
        (clock, "now_s", now_s),
        (collector, "TICK_S", 2.0 / speed),
        (collector, "PAUSE_S", 0.05),
        (collector, "RETRY_S", 5.0),
        (serial_port, "GATHER_S", 0.2 / speed),
        (serial_port, "WAIT_S", 0.05),
    ):
        setattr(module, name, value)


def collect(orders: Mapping[str, Any]) -> int:
    """Collect until told to stop."""
    tell_commits(orders["promised"], as_promised)
    plan = CollectPlan(
        plant="bench",
        db=orders["db"],
        bits=dict.fromkeys(orders["meters"], 32),
        ports=(
            PortPlan(name="bench", port=orders["port"], baud=38400, channels=tuple(enumerate(orders["meters"], 1))),
        ),
        clock_set_file=orders["clock_set_file"],
    )
    stopping = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stopping.set())
    try:
        return collecting.collect(plan, stopping)
    except ClearboreError as error:
        print(error, file=sys.stderr, flush=True)  # noqa: T201 - the last word
        return error.exit_code


def as_promised(rows: Sequence[MinuteRow]) -> str:
    """Rows as the bench reads them: meter, first and last count."""
    return json.dumps([[row.meter, row.first_count, row.counted] for row in rows])


if __name__ == "__main__":
    main()

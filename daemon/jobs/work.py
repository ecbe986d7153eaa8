"""A job as a process of its own: `python -m daemon.jobs.work NAME PLANT DB`.

It gives way to the collector in everything: it runs at low priority, and is the first to go where memory runs out.
Its last line on standard error says what it did, or why it could not; exit codes as those of the commands.
"""

import contextlib
import ctypes
import os
import pathlib
import signal
import sys
from collections.abc import Callable, Mapping

from config.errors import ClearboreError
from config.settings import PlantFile
from daemon import clock
from daemon.jobs.names import ASSESS, NIGHTLY, WEEKLY
from daemon.jobs.turn import wait_for_turn

NICE = 10
PARENT_DEATH_SIGNAL = 1
"""PR_SET_PDEATHSIG of linux/prctl.h."""
FIRST_TO_GO = "500"
"""Added to the badness by which the kernel chooses whom to end (proc(5), oom_score_adj)."""


def main() -> None:
    """Do one job."""
    name, plant, db = sys.argv[1:]
    _give_way()
    _end_with_the_collector()
    from config.load import load_plant  # noqa: PLC0415 - pydantic, and whatever is heavy, only at low priority

    try:
        _say(WORK[name](load_plant(plant), pathlib.Path(db)))
    except ClearboreError as error:
        _say(" ".join(str(error).split()))
        sys.exit(error.exit_code)


def _assess(plant_file: PlantFile, db: pathlib.Path) -> str:
    """Judge the hours, and leave what was found in the database."""
    from daemon.jobs.assess import assess_and_keep  # noqa: PLC0415 - numpy, which the base install may lack

    return assess_and_keep(plant_file, db, now_s=clock.now_s(), wait=wait_for_turn)


def _nightly(plant_file: PlantFile, db: pathlib.Path) -> str:
    """Keep the database in order, and copy it."""
    from daemon.jobs import nightly  # noqa: PLC0415 - at low priority

    return nightly.keep_in_order(plant_file, db, now_s=clock.now_s())


def _weekly(plant_file: PlantFile, db: pathlib.Path) -> str:
    """Write the report of the week before."""
    from daemon.jobs.weekly import write_report  # noqa: PLC0415 - matplotlib, which the base install may lack

    return write_report(plant_file, db, now_s=clock.now_s())


WORK: Mapping[str, Callable[[PlantFile, pathlib.Path], str]] = {ASSESS: _assess, NIGHTLY: _nightly, WEEKLY: _weekly}


def _give_way() -> None:
    """Low priority, and first to be ended where memory runs out."""
    with contextlib.suppress(OSError):  # a service may be forbidden to; the job is done all the same
        os.nice(NICE)
    with contextlib.suppress(OSError):
        pathlib.Path("/proc/self/oom_score_adj").write_text(FIRST_TO_GO, encoding="ascii")


def _end_with_the_collector() -> None:
    """Have the kernel end this process when the collector is gone, however that came about (prctl(2))."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(PARENT_DEATH_SIGNAL, signal.SIGTERM, 0, 0, 0)


def _say(words: str) -> None:
    """The last line."""
    print(words, file=sys.stderr)  # noqa: T201 - what the collector keeps of this run


if __name__ == "__main__":
    main()

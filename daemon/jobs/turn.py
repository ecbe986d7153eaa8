"""When a job writes: right after the collector's own commit, so that a card takes both at once.

A file that was written to has a new time stamp, and some seconds later the file system's journal takes it: of ext4 four
blocks, whether one commit lies behind it or two (traced). So a job that is done waits for the next minute to be in.
"""

import pathlib
import time

from daemon import clock
from daemon.store.opening import is_claimed

WRITE_PAST_S = 8.0
"""So long after a minute's end the collector has written it: it waits for five seconds, and looks every two."""
TURN_S = 1.5
"""And for so long the journal still waits for more: ext4 commits five seconds after the first write."""
MINUTE_S = 60.0


def wait_for_turn(db: pathlib.Path) -> None:
    """Wait for the next moment at which writing costs least; not at all where no collector writes."""
    if is_claimed(db):
        time.sleep(until_turn_s(clock.now_s()))


def until_turn_s(now_s: float) -> float:
    """How long that is from UTC epoch seconds on."""
    past_s = (now_s - WRITE_PAST_S) % MINUTE_S
    return 0.0 if past_s <= TURN_S else MINUTE_S - past_s

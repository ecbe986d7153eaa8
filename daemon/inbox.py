"""The bounded queue between the sources' threads and the writer."""

import queue
from collections.abc import Sequence

from daemon.readings import Arrival, Batch, Rejected, StateChange

Item = Arrival | Rejected | StateChange

CAPACITY = 10_000
"""Groups of items; more than a broker's whole backlog in one go."""
RESERVE = 0.1
"""Share of the capacity that is left to sources which cannot wait, as a port cannot."""


class Inbox:
    """Takes items from any thread without ever waiting or raising; only the writer empties it.

    Attributes:
        lost: items turned away because the inbox was full. Counts are cumulative, so a lost reading costs
            resolution and no volume.
    """

    def __init__(self, capacity: int = CAPACITY) -> None:
        self._queue: queue.Queue[Sequence[Item]] = queue.Queue(capacity)
        self._comfortable = capacity - round(RESERVE * capacity)
        self.lost = 0

    @property
    def has_room(self) -> bool:
        """Whether a source that can let its input wait elsewhere may go on; other sources just offer."""
        return self._queue.qsize() < self._comfortable

    def offer(self, items: Sequence[Item]) -> bool:
        """Put items in, in order; False if there was no room."""
        if not items:
            return True
        try:
            self._queue.put_nowait(items)
        except queue.Full:
            self.lost += len(items)
            return False
        return True

    def empty(self) -> Batch:
        """All that is in by now."""
        batch = Batch()
        for _ in range(self._queue.qsize()):
            for item in self._queue.get_nowait():
                _sort_in(item, batch)
        return batch


def _sort_in(item: Item, batch: Batch) -> None:
    """Put an item to its kind."""
    if isinstance(item, Arrival):
        batch.arrivals.append(item)
    elif isinstance(item, Rejected):
        batch.rejected.append(item)
    else:
        batch.changes.append(item)

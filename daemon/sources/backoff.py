"""How long to wait before the next try."""

FIRST_S = 1.0
LONGEST_S = 60.0


class Backoff:
    """Waits that double from 1 s to 60 s until something works."""

    def __init__(self) -> None:
        self._next_s = FIRST_S

    def next_s(self) -> float:
        """Seconds to wait now; the next wait is twice as long."""
        wait_s, self._next_s = self._next_s, min(2 * self._next_s, LONGEST_S)
        return wait_s

    def reset(self) -> None:
        """It works: begin again at the shortest wait."""
        self._next_s = FIRST_S

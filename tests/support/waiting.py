"""Wait for something that another thread or process does."""

import time
from collections.abc import Callable


def wait_until(condition: Callable[[], bool], *, timeout_s: float = 10.0) -> None:
    """Return as soon as the condition holds.

    Raises:
        TimeoutError: it did not in time.
    """
    end_s = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > end_s:
            raise TimeoutError(f"still not so after {timeout_s:g} s")
        time.sleep(0.02)

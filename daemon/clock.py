"""The one clock."""

import datetime as dt
import time


def now_s() -> float:
    """Wall time, UTC epoch seconds."""
    return time.time()


def monotonic_s() -> float:
    """Seconds that never run backward; the only clock for waits and rates."""
    return time.monotonic()


def utc_text(epoch_s: float) -> str:
    """ISO 8601 UTC with Z, whole seconds."""
    return dt.datetime.fromtimestamp(epoch_s, dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

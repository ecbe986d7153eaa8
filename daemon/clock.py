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


def utc_text_of_ms(at_ms: int | None) -> str | None:
    """The same of UTC epoch milliseconds; None for a time that is not known."""
    return None if at_ms is None else utc_text(at_ms / 1000)


def local_text(epoch_s: float, zone: dt.tzinfo) -> str:
    """A zone's own time to the minute, as people read it."""
    return dt.datetime.fromtimestamp(epoch_s, zone).strftime("%Y-%m-%d %H:%M")

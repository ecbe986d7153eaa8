"""What the collector makes of the clock, for people and for machines."""

from collections.abc import Mapping
from typing import Any

AHEAD_WORTH_A_WORD_S = 2.0


def clock_state(body: Mapping[str, Any]) -> str:
    """One word for what the collector last noted of the clock: set, trusted, ahead, not set, or unknown."""
    if "known" not in body:
        return "unknown"
    if not body["known"]:
        return "not set"
    if body.get("ahead_ms", 0) > AHEAD_WORTH_A_WORD_S * 1000:
        return "ahead"
    return "set" if body.get("told") else "trusted"


def clock_words(body: Mapping[str, Any], *, undated_rows: int) -> str:
    """The same in a sentence.

    Args:
        body: `clock` of the collector's state.
        undated_rows: minute rows that wait for their date.
    """
    rows = (
        "1 minute row waits for its date" if undated_rows == 1 else f"{undated_rows:,} minute rows wait for their date"
    )
    waiting = f"; {rows}" if undated_rows else ""
    state = clock_state(body)
    if state == "not set":
        return (
            "the clock is not set yet (no time server was heard, or it just jumped): readings are kept by the time since "
            f"the machine started, and get their dates once the clock is set{waiting}"
        )
    if state == "ahead":
        ahead_s = body["ahead_ms"] / 1000
        return (
            f"the clock is {ahead_s:,.0f} s behind readings that are in already: new readings are dated after those, and "
            "come back to the clock by a second in a thousand; if the clock is wrong, set it"
        )
    if state == "set":
        return f"the clock is set by a time server{waiting}"
    if state == "trusted":
        return f"the clock is taken at its word: nothing on this machine tells whether it is set{waiting}"
    return f"nothing is known of the clock{waiting}"

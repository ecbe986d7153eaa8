"""Times as they are given on the command line."""

import datetime as dt
from zoneinfo import ZoneInfo

import click


def time_given(text: str | None, timezone: str, option: str) -> float | None:
    """UTC epoch seconds of `text` (ISO 8601); without a zone it is by the plant's clock. None stays None.

    Raises:
        click.BadParameter: not a time.
    """
    if text is None:
        return None
    try:
        at = dt.datetime.fromisoformat(text)
    except ValueError as error:
        raise click.BadParameter(
            f"{text!r} is no time: write it like 2026-11-22T14:00, or 2026-11-22T14:00Z for UTC", param_hint=option
        ) from error
    return (at if at.tzinfo is not None else at.replace(tzinfo=ZoneInfo(timezone))).timestamp()

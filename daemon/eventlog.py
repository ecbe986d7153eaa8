"""Log lines that people and programs can read: an event's name, then key=value."""

import logging


def say(logger: logging.Logger, level: int, event: str, **fields: object) -> None:
    """Log one event; values with spaces or quotes are quoted."""
    if logger.isEnabledFor(level):
        logger.log(level, "%s", " ".join([event, *(f"{key}={_value(value)}" for key, value in fields.items())]))


def _value(value: object) -> str:
    """One value, quoted where it must be."""
    text = str(value)
    if text and all(mark.isprintable() and mark not in ' "=\\' for mark in text):
        return text
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(mark if mark.isprintable() else f"\\u{ord(mark):04x}" for mark in escaped) + '"'

"""What an MQTT message says: a plain number, or JSON with RFC 6901 pointers to count and uptime, or to a value. No I/O."""

import json
import math
import re
from collections.abc import Sequence
from typing import Any

MOST_BYTES = 65_536
_PLAIN = re.compile(rb"[0-9]{1,20}")
_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")


class PayloadError(ValueError):
    """A payload that gives no count; `str()` is the reason, of a small set for each meter."""


def parse(payload: bytes) -> Any:
    """The payload as a plain number or a JSON document.

    Raises:
        PayloadError: neither.
    """
    text = payload.strip()
    if not text:
        raise PayloadError("empty message")
    if len(text) > MOST_BYTES:
        raise PayloadError(f"longer than {MOST_BYTES} bytes")
    if _PLAIN.fullmatch(text):
        return int(text)
    try:
        return json.loads(text.decode("utf-8"))
    except UnicodeDecodeError:
        raise PayloadError("not UTF-8 text") from None
    except (ValueError, RecursionError):
        raise PayloadError("neither a whole number nor JSON") from None


def resolve(document: Any, pointer: str) -> Any:
    """The value that an RFC 6901 JSON Pointer points at; "" is the whole document.

    Raises:
        PayloadError: nothing is there.
    """
    value = document
    for token in _tokens(pointer):
        if isinstance(value, dict) and token in value:
            value = value[token]
        elif isinstance(value, list) and _INDEX.fullmatch(token) and int(token) < len(value):
            value = value[int(token)]
        else:
            raise PayloadError(f"nothing at {pointer}")
    return value


def count_at(document: Any, pointer: str, *, bits: int) -> int:
    """A cumulative count.

    Raises:
        PayloadError: nothing there, not a whole number, negative, or beyond the counter's width.
    """
    value = resolve(document, pointer)
    where = f" at {pointer}" if pointer else ""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int):
        raise PayloadError(f"no whole number{where}")
    if value < 0:
        raise PayloadError(f"negative count{where}")
    if value >= 1 << bits:
        raise PayloadError(f"count{where} beyond the {bits} bits of this meter")
    return value


def value_at(document: Any, pointer: str, *, least: float, most: float) -> float:
    """What a gauge shows, in its unit.

    Raises:
        PayloadError: nothing there, no number, not a finite one, or one outside what the gauge can show.
    """
    value = resolve(document, pointer)
    where = f" at {pointer}" if pointer else ""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise PayloadError(f"no number{where}")
    if value != value or value in (math.inf, -math.inf):  # noqa: PLR0124 - only nan differs from itself
        raise PayloadError(f"no finite number{where}")
    if not least <= value <= most:
        raise PayloadError(f"value{where} that cannot be")
    return float(value)


def uptime_ms_at(document: Any, pointer: str) -> int:
    """Uptime, told in seconds, as milliseconds.

    Raises:
        PayloadError: nothing there, or no number of seconds from 0 to 2^32.
    """
    value = resolve(document, pointer)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1 << 32:
        raise PayloadError(f"no uptime in seconds at {pointer}")
    return round(value * 1000)


def _tokens(pointer: str) -> Sequence[str]:
    """The reference tokens of a pointer; `~1` is a slash and `~0` a tilde, in that order of decoding."""
    if not pointer:
        return ()
    return [token.replace("~1", "/").replace("~0", "~") for token in pointer.removeprefix("/").split("/")]

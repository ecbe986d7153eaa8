"""What an MQTT message may hold, and what is refused with which reason."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.sources import payload


def test_plain_number() -> None:
    """A plain number, blanks around it or not, is the count itself."""
    assert payload.count_at(payload.parse(b" 1234\n"), "", bits=32) == 1234


def test_count_and_uptime_in_json() -> None:
    """Pointers reach into a JSON message; whole numbers may be written as 7.0, uptime may have decimals."""
    document = payload.parse(b'{"flow": [{"pulses": 7.0}], "uptime_s": 12.345}')
    assert payload.count_at(document, "/flow/0/pulses", bits=32) == 7
    assert payload.uptime_ms_at(document, "/uptime_s") == 12_345


@pytest.mark.parametrize(
    ("message", "reason"),
    [
        (b"", "empty message"),
        (b"  \n", "empty message"),
        (b"\xff\xfe", "not UTF-8 text"),
        (b"12 34", "neither a whole number nor JSON"),
        (b'{"pulses": 5', "neither a whole number nor JSON"),
        (b"[" * 60_000, "neither a whole number nor JSON"),
        (b"1" * 70_000, "longer than"),
        (b"{}", "nothing at /pulses"),
        (b"17", "nothing at /pulses"),
        (b'{"pulses": null}', "no whole number at /pulses"),
        (b'{"pulses": true}', "no whole number at /pulses"),
        (b'{"pulses": "5"}', "no whole number at /pulses"),
        (b'{"pulses": 5.5}', "no whole number at /pulses"),
        (b'{"pulses": NaN}', "no whole number at /pulses"),
        (b'{"pulses": Infinity}', "no whole number at /pulses"),
        (b'{"pulses": -1}', "negative count at /pulses"),
        (b'{"pulses": 65536}', "count at /pulses beyond the 16 bits"),
        (b'{"pulses": 1e300}', "count at /pulses beyond the 16 bits"),
    ],
)
def test_what_is_refused(message: bytes, reason: str) -> None:
    """Each kind of unusable message has a reason of its own."""
    with pytest.raises(payload.PayloadError, match=reason):
        payload.count_at(payload.parse(message), "/pulses", bits=16)


@pytest.mark.parametrize("value", [b"-1", b"true", b'"5"', b"NaN", b"1e30"])
def test_uptimes_that_are_refused(value: bytes) -> None:
    """An uptime is a number of seconds that a counter can reach."""
    with pytest.raises(payload.PayloadError, match="no uptime"):
        payload.uptime_ms_at(payload.parse(b'{"up": %s}' % value), "/up")


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(message: bytes) -> None:
    """No message raises anything but the one error of this module."""
    try:
        count = payload.count_at(payload.parse(message), "", bits=32)
    except payload.PayloadError:
        return
    assert 0 <= count < 2**32


def test_a_value_of_a_gauge() -> None:
    """Whole or with decimals, plain or in JSON."""
    assert payload.value_at(payload.parse(b" 48.5\n"), "", least=0, most=100) == 48.5
    assert payload.value_at(payload.parse(b"48"), "", least=0, most=100) == 48.0
    assert payload.value_at(payload.parse(b'{"power": {"W": -0.5e1}}'), "/power/W", least=-10, most=0) == -5.0


@pytest.mark.parametrize(
    ("message", "reason"),
    [
        (b'{"W": NaN}', "no finite number at /W"),
        (b'{"W": Infinity}', "no finite number at /W"),
        (b'{"W": -Infinity}', "no finite number at /W"),
        (b'{"W": 1e999}', "no finite number at /W"),
        (b'{"W": 1e12}', "value at /W that cannot be"),
        (b'{"W": -0.1}', "value at /W that cannot be"),
        (b'{"W": 1%s}' % (b"0" * 400), "value at /W that cannot be"),
        (b'{"W": "48"}', "no number at /W"),
        (b'{"W": true}', "no number at /W"),
        (b'{"W": null}', "no number at /W"),
        (b'{"V": 48}', "nothing at /W"),
        (b"48,5", "neither a whole number nor JSON"),
    ],
)
def test_values_that_are_refused(message: bytes, reason: str) -> None:
    """Each with its reason."""
    with pytest.raises(payload.PayloadError, match=reason):
        payload.value_at(payload.parse(message), "/W", least=0.0, most=1e4)

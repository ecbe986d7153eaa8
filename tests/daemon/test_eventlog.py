"""Log lines as event and key=value."""

import logging

import pytest

from daemon import eventlog


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (5, "5"),
        ("serial:bench", "serial:bench"),
        ("port open", '"port open"'),
        ("", '""'),
        ('say "x"', '"say \\"x\\""'),
        ("a=b", '"a=b"'),
        ("C:\\x", '"C:\\\\x"'),
        ("two\nlines", '"two\\u000alines"'),
    ],
)
def test_values(value: object, text: str, caplog: pytest.LogCaptureFixture) -> None:
    """Values that would break the line or the key=value form are quoted and escaped."""
    caplog.set_level(logging.INFO)
    eventlog.say(logging.getLogger("test"), logging.INFO, "event", key=value)

    assert [record.getMessage() for record in caplog.records] == [f"event key={text}"]


def test_quiet_levels_cost_nothing(caplog: pytest.LogCaptureFixture) -> None:
    """What the log does not want is not said."""
    caplog.set_level(logging.WARNING)
    eventlog.say(logging.getLogger("test"), logging.INFO, "event")

    assert caplog.records == []

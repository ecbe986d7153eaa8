"""One line, read exactly."""

import pytest

from daemon.loading.exact import NO_UPTIME, Layout, LineRefused, Reading, read_line

LAYOUT = Layout(
    place={"time_utc": 0, "meter": 1, "pulses": 2},
    fields=3,
    meters={"M1": (0, 2**16), "left, upper": (1, 2**32)},
    latest_ms=1_900_000_000_000,
)
WITH_UPTIME = Layout(
    place={"time_utc": 0, "meter": 1, "pulses": 2, "uptime_s": 3},
    fields=4,
    meters={"M1": (0, 2**32)},
    latest_ms=1_900_000_000_000,
)
AT_MS = 1_736_121_600_000  # 2025-01-06T00:00:00Z, by `date -d 2025-01-06T00:00:00Z +%s`


@pytest.mark.parametrize(
    ("line", "reading"),
    [
        (b"2025-01-06T00:00:00Z,M1,17", Reading(column=0, at_ms=AT_MS, counted=17, uptime_ms=NO_UPTIME)),
        (b"2025-01-06T00:00:00.058Z,M1,17", Reading(column=0, at_ms=AT_MS + 58, counted=17, uptime_ms=NO_UPTIME)),
        (b"2025-01-06T00:00:00.0589Z,M1,17", Reading(column=0, at_ms=AT_MS + 58, counted=17, uptime_ms=NO_UPTIME)),
        (b"2025-01-06T01:00:00+01:00,M1,17", Reading(column=0, at_ms=AT_MS, counted=17, uptime_ms=NO_UPTIME)),
        (
            b' 2025-01-06T00:00:00Z ,"left, upper", 017 ',
            Reading(column=1, at_ms=AT_MS, counted=17, uptime_ms=NO_UPTIME),
        ),
    ],
)
def test_a_reading_in_all_its_spellings(line: bytes, reading: Reading) -> None:
    """Whole and fractional seconds, another zone that is named, blanks, quotes."""
    assert read_line(line, LAYOUT) == reading


def test_uptime_may_be_fractional_or_missing() -> None:
    """An empty uptime is an unknown one."""
    assert read_line(b"2025-01-06T00:00:00Z,M1,17,12.5", WITH_UPTIME).uptime_ms == 12_500
    assert read_line(b"2025-01-06T00:00:00Z,M1,17,", WITH_UPTIME).uptime_ms == NO_UPTIME


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"yesterday,M1,17", "unreadable time"),
        (b"2025-02-30T00:00:00Z,M1,17", "unreadable time"),
        (b"2025-01-06T00:00:00,M1,17", "time without zone"),
        (b"1999-12-31T23:59:59Z,M1,17", "time before the year 2000"),
        (b"2041-01-06T00:00:00Z,M1,17", "time in the future"),
        (b"2025-01-06T00:00:00Z,M9,17", "unknown meter"),
        (b"2025-01-06T00:00:00Z,M1,17.5", "count not a whole number"),
        (b"2025-01-06T00:00:00Z,M1,1e3", "count not a whole number"),
        (b"2025-01-06T00:00:00Z,M1,", "count not a whole number"),
        (b"2025-01-06T00:00:00Z,M1,1_7", "count not a whole number"),
        ("2025-01-06T00:00:00Z,M1,\u0661\u0667".encode(), "count not a whole number"),
        (b"2025-01-06T00:00:00Z,M1,-17", "negative count"),
        (b"2025-01-06T00:00:00Z,M1,65536", "count beyond the counter's bits"),
        (b"2025-01-06T00:00:00Z,M1," + b"9" * 5000, "count beyond the counter's bits"),
        (b"2025-01-06T00:00:00Z,M1", "wrong number of fields"),
        (b"2025-01-06T00:00:00Z,M1,17,4", "wrong number of fields"),
        (b'2025-01-06T00:00:00Z,"M1,17', "quotes that do not close"),
        (b"2025-01-06T00:00:00Z,M\xff,17", "not UTF-8"),
        (b"2025-01-06T00:00:00Z,M1,1\x007", "NUL bytes"),
        (b"", "empty line"),
        (b"time_utc,meter,pulses", "another header"),
    ],
)
def test_a_bad_line_has_its_reason(line: bytes, reason: str) -> None:
    """Each reason is one of a small set, to be counted by."""
    with pytest.raises(LineRefused) as refused:
        read_line(line, LAYOUT)
    assert str(refused.value) == reason


@pytest.mark.parametrize("uptime", [b"-1", b"soon", b"1e5", b"inf", b"9" * 30])
def test_a_bad_uptime_is_refused(uptime: bytes) -> None:
    """Uptime decides about restarts, so a damaged one takes its line with it."""
    with pytest.raises(LineRefused, match="unreadable uptime"):
        read_line(b"2025-01-06T00:00:00Z,M1,17," + uptime, WITH_UPTIME)

"""A chunk of lines read at once says what its lines say one by one."""

import datetime as dt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.loading.exact import Layout, LineRefused, Reading, read_line
from daemon.loading.lines import LineReader
from daemon.loading.words import pad

METERS = {
    "M1": (0, 2**16),
    "a": (1, 2**32),
    "m_scrubber": (2, 2**32),
    "m_scrubbed": (3, 2**32),
    "Fütterung": (4, 2**32),
}
EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
LATEST_MS = 1_900_000_000_000
PLAIN = Layout(place={"time_utc": 0, "meter": 1, "pulses": 2}, fields=3, meters=METERS, latest_ms=LATEST_MS)
UPTIME = Layout(
    place={"time_utc": 0, "meter": 1, "pulses": 2, "uptime_s": 3}, fields=4, meters=METERS, latest_ms=LATEST_MS
)
OTHER_ORDER = Layout(place={"meter": 0, "time_utc": 1, "pulses": 2}, fields=3, meters=METERS, latest_ms=LATEST_MS)


def at_once(data: bytes, layout: Layout) -> tuple[list[Reading], list[tuple[int, bytes, str]]]:
    """Readings and refused lines of a chunk."""
    refused: list[tuple[int, bytes, str]] = []
    reader = LineReader(layout, lambda line_no, line, reason: refused.append((line_no, line, reason)))
    found = reader.read(pad(data))
    rows = zip(
        found.column.tolist(), found.at_ms.tolist(), found.counted.tolist(), found.uptime_ms.tolist(), strict=True
    )
    readings = [Reading(column=c, at_ms=t, counted=n, uptime_ms=u) for c, t, n, u in rows]
    return readings, refused


def one_by_one(data: bytes, layout: Layout) -> tuple[list[Reading], list[tuple[int, bytes, str]]]:
    """The same, line by line."""
    readings: list[Reading] = []
    refused: list[tuple[int, bytes, str]] = []
    for line_no, raw in enumerate(data.split(b"\n")[:-1], start=2):
        line = raw.removesuffix(b"\r")
        try:
            readings.append(read_line(line, layout))
        except LineRefused as error:
            refused.append((line_no, line, str(error)))
    return readings, refused


TIMES = st.one_of(
    st.datetimes().map(lambda moment: moment.isoformat(timespec="milliseconds") + "Z"),
    st.datetimes().map(lambda moment: moment.isoformat(timespec="seconds") + "Z"),
    st.datetimes().map(lambda moment: moment.isoformat() + "+00:00"),
    st.from_regex(r"20[0-9]{2}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{3})?Z", fullmatch=True),
)
NAMES = st.one_of(st.sampled_from([*METERS, "m_scrubbex", "M", "M12"]), st.text(max_size=4))
COUNTS = st.one_of(
    st.integers(0, 2**32 + 5).map(str),
    st.sampled_from(["65535", "65536", "4294967295", "4294967296", "00000000000000017", "-4", "+4", "4.0", "", " 7"]),
    st.from_regex(r"[0-9:;/]{1,12}", fullmatch=True),
)
LINES = st.builds(
    lambda fields, end: ",".join(fields).encode("utf-8", "surrogatepass") + end,
    st.one_of(st.tuples(TIMES, NAMES, COUNTS), st.tuples(TIMES, NAMES, COUNTS, COUNTS), st.tuples(TIMES, NAMES)),
    st.sampled_from([b"\n", b"\r\n"]),
)
NOISE = st.binary(max_size=40).map(lambda noise: noise + b"\n")
GOOD = st.builds(
    lambda at_s, name, counted: f"{at_s},{name},{counted}\n".encode(),
    st.integers(1_000_000_000_000, LATEST_MS).map(
        lambda at_ms: (EPOCH + dt.timedelta(milliseconds=at_ms)).isoformat(timespec="milliseconds")[:23] + "Z"
    ),
    st.sampled_from(sorted(METERS)),
    st.integers(0, 65_535),
)


@settings(deadline=None, max_examples=150)
@given(
    st.lists(st.one_of(LINES, NOISE, GOOD, GOOD), min_size=1, max_size=25).map(b"".join),
    st.sampled_from([PLAIN, UPTIME, OTHER_ORDER]),
)
def test_all_at_once_is_the_same_as_one_by_one(data: bytes, layout: Layout) -> None:
    """Good, odd, damaged lines and noise: the same readings and the same reasons at the same line numbers."""
    assert at_once(data, layout) == one_by_one(data, layout)


@settings(deadline=None)
@given(st.lists(GOOD, min_size=1, max_size=50).map(b"".join))
def test_good_lines_are_all_read(data: bytes) -> None:
    """None of them is refused."""
    readings, refused = at_once(data, PLAIN)
    assert len(readings) == data.count(b"\n")
    assert refused == []


@pytest.mark.parametrize(
    ("date", "good"),
    [
        ("2024-02-29", True),
        ("2023-02-29", False),
        ("2100-02-28", False),
        ("2000-02-29", True),
        ("2025-04-31", False),
        ("2025-13-01", False),
        ("2025-00-10", False),
        ("2025-12-31", True),
    ],
)
def test_the_calendar_is_kept(date: str, good: bool) -> None:  # noqa: FBT001 - a table of cases
    """Leap days and lengths of months; 2100 is after the latest time allowed."""
    readings, _refused = at_once(f"{date}T23:59:59.999Z,a,1\n".encode(), PLAIN)
    assert bool(readings) is good


def test_line_numbers_run_on_over_chunks() -> None:
    """The header is line 1; a refused line is named by its place in the file."""
    refused: list[int] = []
    reader = LineReader(PLAIN, lambda line_no, _line, _reason: refused.append(line_no))
    reader.read(pad(b"2025-01-06T00:00:00Z,a,1\nbad\n"))
    reader.read(pad(b"bad\n2025-01-06T00:00:00Z,a,1\nbad\n"))
    assert refused == [3, 4, 6]
    assert (reader.lines, reader.accepted) == (6, 2)

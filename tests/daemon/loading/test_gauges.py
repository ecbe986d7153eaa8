"""Gauge files into the database."""

import contextlib
import gzip
import pathlib
from collections.abc import Iterator

import numpy as np
import pytest

from analysis.frames import HOUR_S, HourFrame
from config.errors import InputMissing, InputUnusable
from config.plant import Gauge, GaugeKind
from daemon.loading.gauges import GaugeLoader, GaugeTally, check_gauge_header
from daemon.store.gauge_hours import drop_gauge_minutes
from daemon.store.opening import open_writer
from daemon.store.prepare import prepare_store
from daemon.store.reader import with_gauges

GAUGES = (
    Gauge(name="header", run="riser", height_m=0.0, unit="kPa"),
    Gauge(name="far end", run="tail", height_m=0.2, unit="psi"),
    Gauge(name="mains", run=None, height_m=0.0, unit="W", reads=GaugeKind.POWER),
)
START_S = 1_736_121_600  # 2025-01-06T00:00:00Z
NOW_S = START_S + 86_400.0
HEADER = "time_utc,channel,value\n"


class Rack:
    """A database and the gauge files that go into it."""

    def __init__(self, folder: pathlib.Path) -> None:
        self.folder = folder
        prepare_store(folder / "rack.db")
        self.connection = open_writer(folder / "rack.db")

    def load(self, data: str | bytes, name: str = "a.csv", *, again: bool = False) -> GaugeTally:
        """Load a file of these bytes."""
        path = self.folder / name
        path.write_bytes(data.encode() if isinstance(data, str) else data)
        loader = GaugeLoader(
            connection=self.connection, gauges=GAUGES, now_s=NOW_S, kept_lines=100, tell=lambda _read: None
        )
        return loader.load(path, again=again)

    def load_all(self, *texts: str) -> list[GaugeTally]:
        """Load some files in one call."""
        loader = GaugeLoader(
            connection=self.connection, gauges=GAUGES, now_s=NOW_S, kept_lines=100, tell=lambda _read: None
        )
        tallies = []
        for number, text in enumerate(texts):
            path = self.folder / f"part-{number}.csv"
            path.write_text(text, encoding="utf-8")
            tallies.append(loader.load(path, again=False))
        loader.count_too_late()
        return tallies

    def rows(self) -> list[tuple[object, ...]]:
        """What is stored of all gauges."""
        asked = "SELECT gauge, minute, mean, samples FROM gauge_minute ORDER BY gauge, minute"
        return self.connection.execute(asked).fetchall()

    def refused(self) -> dict[str, int]:
        """Refused lines by reason, as they are kept."""
        return dict(self.connection.execute("SELECT reason, times FROM rejected").fetchall())


@pytest.fixture
def rack(tmp_path: pathlib.Path) -> Iterator[Rack]:
    """An empty database."""
    made = Rack(tmp_path)
    with contextlib.closing(made.connection):
        yield made


def line(minute: float, value: object, channel: str = "header") -> str:
    """A line so many minutes after the start."""
    second = round(60 * minute)
    return f"2025-01-06T{second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}Z,{channel},{value}\n"


def test_a_minute_is_the_mean_of_its_values(rack: Rack) -> None:
    """Of each gauge apart, in the unit of the file."""
    tally = rack.load(HEADER + line(0, 30) + line(0.5, 32) + line(0, 4.5, "far end") + line(7, 31))

    minute = START_S // 60
    assert rack.rows() == [(1, minute, 31.0, 2), (1, minute + 7, 31.0, 1), (2, minute, 4.5, 1)]
    assert (tally.lines, tally.accepted, tally.doubled, tally.rejected) == (4, 4, 0, {})
    assert tally.gauges == ("header", "far end")
    assert (tally.first_ms, tally.last_ms) == (START_S * 1000, (START_S + 420) * 1000)


def test_order_and_doubled_lines_change_nothing(rack: Rack, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Shuffled, doubled, packed: the same rows."""
    lines = [line(0.25 * step, 30 + step % 7) for step in range(400)]
    rack.load(HEADER + "".join(lines))
    other = Rack(tmp_path_factory.mktemp("other"))
    shuffled = [*lines, *lines[40:90]]
    np.random.default_rng(3).shuffle(shuffled)
    with contextlib.closing(other.connection):
        tally = other.load(gzip.compress((HEADER + "".join(shuffled)).encode()), "b.csv.gz")

        assert other.rows() == rack.rows()
        assert (tally.accepted, tally.doubled) == (400, 50)


def test_loading_twice_changes_nothing(rack: Rack) -> None:
    """By its content, whatever it is called; and read again all the same."""
    text = HEADER + line(0, 30) + line(1, 31) + "nonsense\n"
    rack.load(text)
    before = rack.rows()

    known = rack.load(text, "renamed.csv")
    assert known.already_loaded
    assert (known.lines, known.accepted) == (3, 2)
    again = rack.load(text, again=True)
    assert not again.already_loaded
    assert rack.rows() == before
    assert rack.refused() == {"wrong number of fields": 1}


def test_where_files_overlap_the_fuller_minute_stands(rack: Rack, tmp_path_factory: pytest.TempPathFactory) -> None:
    """In either order: a file that was cut within a minute knows less of it."""
    whole = HEADER + line(0, 30) + line(1, 31) + line(1.5, 33)
    cut = HEADER + line(1, 31)
    rack.load(whole, "whole.csv")
    rack.load(cut, "cut.csv")
    other = Rack(tmp_path_factory.mktemp("other"))
    with contextlib.closing(other.connection):
        other.load(cut, "cut.csv")
        other.load(whole, "whole.csv")

        assert other.rows() == rack.rows()
    assert rack.rows()[1][2:] == (32.0, 2)


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        (line(1, 31, "sump"), "unknown gauge"),
        (line(1, "31,5"), "wrong number of fields"),
        (line(1, "nan"), "value not a number"),
        (line(1, "1e999"), "pressure that cannot be"),
        (line(1, ""), "value not a number"),
        (line(1, "3000"), "pressure that cannot be"),
        (line(1, "-102"), "pressure that cannot be"),
        ("2025-01-06T00:01:00,header,31\n", "time without zone"),
        ("yesterday,header,31\n", "unreadable time"),
        ("1999-12-31T23:59:59Z,header,31\n", "time before the year 2000"),
        ("2025-01-09T00:00:00Z,header,31\n", "time in the future"),
        (HEADER, "another header"),
        ("\n", "empty line"),
        (line(0, 29), "another value at the same time"),
    ],
)
def test_a_bad_line_is_counted_and_kept(rack: Rack, bad: str, reason: str) -> None:
    """And stops nothing."""
    tally = rack.load(HEADER + line(0, 30) + bad + line(2, 32))

    assert tally.rejected == {reason: 1} == rack.refused()
    assert tally.accepted == 2
    assert [row[1] for row in rack.rows()] == [START_S // 60, START_S // 60 + 2]
    assert rack.connection.execute("SELECT count(*) FROM quarantine").fetchone() == (1,)


def test_a_damaged_file_gives_what_could_be_read(rack: Rack) -> None:
    """And says so."""
    text = HEADER + "".join(
        line(step, f"{30 + part:.6f}") for step, part in enumerate(np.random.default_rng(3).random(1000))
    )
    packed = gzip.compress(text.encode())
    tally = rack.load(packed[: len(packed) // 2], "cut.csv.gz")

    assert tally.damage is not None
    assert 100 < tally.accepted < 900
    assert tally.lines == tally.accepted + sum(tally.rejected.values())


def test_another_file_is_refused_before_anything_is_loaded(tmp_path: pathlib.Path) -> None:
    """A log of meters is no gauge file."""
    log = tmp_path / "log.csv"
    log.write_text("time_utc,meter,pulses\n", encoding="utf-8")

    with pytest.raises(InputUnusable, match="lacks channel, value"):
        check_gauge_header(log)
    with pytest.raises(InputMissing):
        check_gauge_header(tmp_path / "none.csv")


def test_hours_are_medians_in_pascals(rack: Rack) -> None:
    """A pause of ten minutes in an hour does not enter; an hour without values, and a gauge without any, are unknown."""
    paused = "".join(line(step, 5 if step < 10 else 30 + step % 2) for step in range(60))
    rack.load(HEADER + paused + line(130, 33))
    hours = 3
    frame = HourFrame(
        start_s=START_S,
        meters=(),
        rate=np.empty((hours, 0)),
        seconds=np.empty((hours, 0)),
        off_s=np.zeros(hours),
    )

    gauges = with_gauges(rack.connection, frame, GAUGES).gauges

    assert gauges is not None
    assert gauges.names == ("header", "far end", "mains")
    assert gauges.shown[:, 0] == pytest.approx([30_000.0, np.nan, 33_000.0], nan_ok=True)
    assert np.isnan(gauges.shown[:, 1]).all()
    assert frame.end_s == START_S + hours * HOUR_S
    assert with_gauges(rack.connection, frame, ()).gauges is None


def test_values_that_come_too_late_are_counted(rack: Rack) -> None:
    """Of an hour whose minutes were dropped, of more of them than come; two files may make it whole, and then are not."""
    rack.load(HEADER + "".join(line(minute, 30 + minute % 7) for minute in range(60)), "whole.csv")
    drop_gauge_minutes(rack.connection, to_hour=START_S // 3600 + 1)
    held = rack.connection.execute("SELECT hour, gauge, median, minutes FROM gauge_hour").fetchall()

    (tally,) = rack.load_all(HEADER + line(5, 99) + line(5.5, 99) + line(6, 99) + line(65, 31))
    assert (tally.accepted, tally.too_late) == (4, 3)
    assert rack.connection.execute("SELECT hour, gauge, median, minutes FROM gauge_hour").fetchall() == held

    halves = ("".join(line(minute, 40) for minute in range(first, 60, 2)) for first in (0, 1))
    assert [tally.too_late for tally in rack.load_all(*(HEADER + half for half in halves))] == [0, 0]
    assert rack.connection.execute("SELECT median, minutes FROM gauge_hour").fetchall() == [(40.0, 60)]


def test_a_power_is_loaded_beside_pressures(rack: Rack) -> None:
    """In watts; one below nothing, or of a whole house, cannot be."""
    tally = rack.load(
        HEADER + line(0, 48.5, "mains") + line(1, 0, "mains") + line(2, -1, "mains") + line(3, 10_001, "mains")
    )

    assert [row[1:] for row in rack.rows()] == [(START_S // 60, 48.5, 1), (START_S // 60 + 1, 0.0, 1)]
    assert tally.rejected == {"power that cannot be": 2}

"""Log files into the database."""

import contextlib
import datetime as dt
import gzip
import itertools
import pathlib
import random
import sqlite3
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.errors import InputUnusable
from config.plant import Meter
from daemon.loading import load, stream
from daemon.loading.load import Loader, check_header
from daemon.loading.tally import FileTally
from daemon.store import records, undated
from daemon.store.merging import MinuteRow
from daemon.store.opening import open_writer
from daemon.store.prepare import prepare_store
from daemon.store.undated import Anchor
from daemon.store.writer import meter_ids

METERS = tuple(
    Meter(name=name, k_points=((0.0, 450.0),), counter_bits=bits) for name, bits in (("M1", 32), ("M2", 32), ("M3", 16))
)
START_S = 1_736_121_600  # 2025-01-06T00:00:00Z
NOW_S = START_S + 400 * 86_400.0
HEADER = "time_utc,meter,pulses\n"


def stamp(at_ms: int) -> str:
    """A log's time, by the calendar of the standard library."""
    moment = dt.datetime.fromtimestamp(at_ms // 1000, dt.UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{moment}.{at_ms % 1000:03d}Z"


def log_lines(*, minutes: int, every_s: int = 60, from_s: int = START_S) -> list[str]:
    """Three meters at 10, 20 and 30 pulses a second, the last with a 16-bit counter."""
    return [
        f"{stamp(at_s * 1000 + 58)},{meter.name},{(at_s - START_S + 900) * rate % 2**meter.counter_bits}\n"
        for at_s in range(from_s, from_s + minutes * 60, every_s)
        for meter, rate in zip(METERS, (10, 20, 30), strict=True)
    ]


class Rack:
    """A database and the files that go into it."""

    def __init__(self, folder: pathlib.Path) -> None:
        self.folder = folder
        prepare_store(folder / "rack.db")
        self.connection = open_writer(folder / "rack.db")

    def load(self, lines: list[str] | str | bytes, name: str = "a.csv", *, again: bool = False) -> FileTally:
        """Load lines as a file and bring the hours up to date."""
        data = HEADER + "".join(lines) if isinstance(lines, list) else lines
        path = self.folder / name
        path.write_bytes(data.encode() if isinstance(data, str) else data)
        loader = Loader(self.connection, METERS, now_s=NOW_S, kept_lines=100)
        tally = loader.load(path, again=again)
        loader.refresh_hours()
        return tally

    def rows(self, table: str) -> list[tuple[object, ...]]:
        """All rows of a table."""
        return sorted(self.connection.execute(f"SELECT * FROM {table}").fetchall())  # noqa: S608 - a table of ours

    def state(self) -> dict[str, list[tuple[object, ...]]]:
        """Everything that readings make."""
        return {table: self.rows(table) for table in ("all_minutes", "hour", "usual_rate", "stale_day")}


@pytest.fixture
def rack(tmp_path: pathlib.Path) -> Iterator[Rack]:
    """An empty database."""
    made = Rack(tmp_path)
    yield made
    made.connection.close()


@contextlib.contextmanager
def new_rack(factory: pytest.TempPathFactory) -> Iterator[Rack]:
    """A further empty database."""
    made = Rack(factory.mktemp("rack"))
    try:
        yield made
    finally:
        made.connection.close()


def cut_up(monkeypatch: pytest.MonkeyPatch, *, chunk_bytes: int, read_bytes: int) -> None:
    """Have files loaded in small pieces."""
    monkeypatch.setattr(stream, "CHUNK_BYTES", chunk_bytes)
    monkeypatch.setattr(stream, "READ_BYTES", read_bytes)
    monkeypatch.setattr(load, "READINGS_AT_ONCE", 300)


def test_readings_become_minutes_and_hours(rack: Rack) -> None:
    """Two hours of three meters: a row a minute, whole hours at the right rates, wraps and all."""
    tally = rack.load(log_lines(minutes=181))
    assert (tally.lines, tally.accepted, tally.meters) == (543, 543, ("M1", "M2", "M3"))
    assert len(rack.rows("all_minutes")) == 543
    hours = rack.connection.execute("SELECT meter, pulses / seconds FROM hour WHERE hour = ?", (START_S // 3600 + 1,))
    assert hours.fetchall() == [(1, pytest.approx(10)), (2, pytest.approx(20)), (3, pytest.approx(30))]
    assert rack.rows("stale_day") == []


def test_several_readings_a_minute_are_summed_up(rack: Rack) -> None:
    """Ten-second readings: first to last, and the extremes between them."""
    rack.load(log_lines(minutes=2, every_s=10))
    row = rack.rows("all_minutes")[0]
    assert row == (START_S // 60, 1, 0, 9500, 500, 50_058, 50_000, 10_000, 10_000, 6, 0)


def test_loading_the_same_file_twice_changes_nothing(rack: Rack) -> None:
    """Not under another name either; refused lines are not counted again."""
    lines = [*log_lines(minutes=100), "bad\n"]
    rack.load(lines)
    before, rejected = rack.state(), rack.rows("rejected")
    tally = rack.load(lines, "b.csv")
    assert tally.already_loaded
    assert (rack.state(), rack.rows("rejected"), len(rack.rows("loaded"))) == (before, rejected, 1)


def test_reading_a_file_again_on_request_changes_nothing_either(rack: Rack) -> None:
    """Row by row the readings are known, and the refused lines are counted anew, not twice."""
    lines = [*log_lines(minutes=100, every_s=10), "bad\n"]
    rack.load(lines)
    before, rejected, kept = rack.state(), rack.rows("rejected"), len(rack.rows("quarantine"))
    tally = rack.load(lines, again=True)
    assert not tally.already_loaded
    assert (rack.state(), rack.rows("rejected"), len(rack.rows("quarantine"))) == (before, rejected, kept)


def test_gzip_and_windows_line_ends_make_no_difference(rack: Rack, tmp_path_factory: pytest.TempPathFactory) -> None:
    """A compressed file with a byte order mark and CRLF gives the same rows."""
    lines = log_lines(minutes=100)
    rack.load(lines)
    text = b"\xef\xbb\xbf" + (HEADER + "".join(lines)).replace("\n", "\r\n").encode()
    with new_rack(tmp_path_factory) as other:
        other.load(gzip.compress(text), "a.csv.gz")
        assert other.state() == rack.state()


@settings(deadline=None, max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 2**32), st.sampled_from([10, 60]), st.integers(1, 3))
def test_order_doubles_and_files_make_no_difference(
    tmp_path_factory: pytest.TempPathFactory, seed: int, every_s: int, files: int
) -> None:
    """Lines shuffled nearby and doubled, cut into files of whole minutes that come in any order: the same rows."""
    shuffle = random.Random(seed)  # noqa: S311 - no secret
    lines = log_lines(minutes=300, every_s=every_s, from_s=START_S + 82_000)
    a_minute = 3 * 60 // every_s
    borders = sorted(shuffle.sample(range(1, 300), files - 1))
    pieces = [lines[a * a_minute : b * a_minute] for a, b in zip([0, *borders], [*borders, 300], strict=True)]
    with new_rack(tmp_path_factory) as straight, new_rack(tmp_path_factory) as crooked:
        straight.load(lines)
        shuffle.shuffle(pieces)
        for number, piece in enumerate(pieces):
            rough = [*piece, *shuffle.sample(piece, len(piece) // 5)]
            rough = [rough[i] for i in sorted(range(len(rough)), key=lambda i: i % len(piece) + shuffle.random() * 20)]
            crooked.load(rough, f"{number}.csv")
        assert crooked.state() == straight.state()


def test_chunks_make_no_difference(
    rack: Rack, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that is read in many pieces, over three days, gives the rows and hours of one that is read at once."""
    lines = log_lines(minutes=3 * 1440)
    tally = rack.load(lines)
    cut_up(monkeypatch, chunk_bytes=9000, read_bytes=5000)
    with new_rack(tmp_path_factory) as other:
        assert other.load(lines) == tally
        assert other.state() == rack.state()


def test_late_and_doubled_lines_are_counted(rack: Rack) -> None:
    """Behind a later reading of the same meter: late. The same again: doubled."""
    lines = log_lines(minutes=60)
    tally = rack.load([*lines[:-6], *lines[-3:], *lines[-6:-3], lines[9]])
    assert (tally.late, tally.doubled, tally.accepted) == (4, 1, 180)


def test_restarts_wraps_and_gaps_are_counted(rack: Rack) -> None:
    """A wrap of the 16-bit counter is no restart; a count that falls to nothing is one."""
    before = log_lines(minutes=120)
    after = [line.rsplit(",", 1)[0] for line in log_lines(minutes=60, from_s=START_S + 3 * 3600)]
    tally = rack.load([*before, *(f"{line},{number}\n" for number, line in enumerate(after))])
    assert tally.wraps == 3  # 30 pulses a second for two hours from 27,000: 243,000 pulses, three rounds of 65,536
    # after an hour of silence a 16-bit counter may have gone round: whether it restarted cannot be told
    assert (tally.restarts, tally.gaps) == (2, 3)
    assert tally.gap_s == pytest.approx(3 * 3660)


def test_the_pace_of_a_slow_logger_is_no_gap(rack: Rack) -> None:
    """A line in a quarter of an hour: the first two intervals tell the pace, and one of more than 35 minutes is a gap."""
    at_s = [900 * step for step in range(200) if step not in {100, 101}]
    tally = rack.load(
        "time_utc,meter,pulses\n" + "".join(f"{stamp((START_S + second) * 1000)},M1,{second}\n" for second in at_s)
    )
    assert (tally.gaps, tally.gap_s) == (3, 2 * 900 + 2700)


def test_uptime_tells_of_a_restart_that_the_count_hides(rack: Rack) -> None:
    """The count rose, but the device has been up for less than the minute between."""
    text = "time_utc,meter,pulses,uptime_s\n" + "".join(
        f"{stamp((START_S + second) * 1000)},M1,{counted},{uptime}\n"
        for second, counted, uptime in ((0, 100, 5000), (60, 700, 5060), (120, 900, 20), (180, 1500, 80))
    )
    tally = rack.load(text)
    assert [row[10] for row in rack.rows("all_minutes")] == [0, 0, 1, 0]
    assert tally.restarts == 1


def test_bad_lines_are_counted_kept_and_stop_nothing(rack: Rack) -> None:
    """Each reason with its count and the lines with their numbers; the good lines around them are in."""
    good = log_lines(minutes=3)
    bad = ["", "nonsense", "2025-01-06T00:00:00,M1,5", "2025-01-06T00:00:00Z,M9,5", "2025-01-06T00:00:00Z,M3,65536"]
    tally = rack.load([good[0], *(f"{line}\n" for line in bad), *good[1:]])
    assert tally.accepted == 9
    assert tally.rejected == {
        "empty line": 1,
        "wrong number of fields": 1,
        "time without zone": 1,
        "unknown meter": 1,
        "count beyond the counter's bits": 1,
    }
    kept = rack.connection.execute("SELECT line_no, line FROM quarantine ORDER BY line_no").fetchall()
    assert kept == [(number, line) for number, line in enumerate(bad, start=3)]
    assert sum(count.times for count in records.read_rejected(rack.connection)) == 5


def test_two_counts_for_one_moment_are_one_reading(rack: Rack) -> None:
    """They cannot both be right; one is kept, the other refused and shown."""
    tally = rack.load(["2025-01-06T00:00:00Z,M1,7\n", "2025-01-06T00:00:00Z,M1,9\n", "2025-01-06T00:00:00Z,M1,9\n"])
    assert tally.accepted == 1
    assert tally.lines == tally.accepted + tally.doubled + tally.refused
    assert tally.rejected["another count at the same time"] >= 1


def test_a_truncated_gzip_keeps_what_could_be_read(rack: Rack) -> None:
    """Whole lines are in, the cut one is refused, and the damage is told."""
    lines = log_lines(minutes=2000)
    packed = gzip.compress((HEADER + "".join(lines)).encode())
    tally = rack.load(packed[: len(packed) // 2], "a.csv.gz")
    assert tally.damage == "the compressed file ends too early"
    assert 1000 < tally.accepted < 6000
    assert tally.rejected in ({"cut short": 1}, {})
    rows = rack.connection.execute("SELECT max(minute) FROM all_minutes").fetchone()
    assert stamp(rows[0] * 60_000 + 58) in "".join(lines[: tally.accepted])


def test_noise_is_no_log(rack: Rack, tmp_path: pathlib.Path) -> None:
    """A file without the header says what the header must be."""
    path = tmp_path / "noise.csv"
    path.write_bytes(random.Random(2).randbytes(5000))  # noqa: S311 - no secret
    with pytest.raises(InputUnusable, match="time_utc,meter,pulses"):
        check_header(path)
    with pytest.raises(InputUnusable, match="lacks pulses"):
        rack.load("time_utc,meter,count\n")


def test_an_empty_file_is_no_log(tmp_path: pathlib.Path) -> None:
    """Not even a header."""
    (tmp_path / "empty.csv").write_bytes(b"")
    with pytest.raises(InputUnusable, match="header lacks"):
        check_header(tmp_path / "empty.csv")


def test_a_header_alone_is_an_empty_log(rack: Rack) -> None:
    """Nothing to load is no error."""
    tally = rack.load(HEADER)
    assert (tally.lines, tally.accepted, tally.first_ms) == (0, 0, None)


def test_columns_may_stand_in_another_order(rack: Rack, tmp_path_factory: pytest.TempPathFactory) -> None:
    """The header says which is which; columns of no use are passed over."""
    lines = log_lines(minutes=5)
    rack.load(lines)
    turned = [line.strip().split(",") for line in lines]
    text = "meter,note,pulses,time_utc\n" + "".join(f"{m},x,{n},{t}\n" for t, m, n in turned)
    with new_rack(tmp_path_factory) as other:
        other.load(text)
        assert other.state() == rack.state()


def test_an_interrupted_load_is_completed_by_the_next(
    rack: Rack, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever came in before is sound; loading again gives what an undisturbed load gives."""
    cut_up(monkeypatch, chunk_bytes=20_000, read_bytes=20_000)
    lines = [*log_lines(minutes=2 * 1440), "bad\n"]
    calls = []

    def pull_the_plug(_read: int) -> None:
        calls.append(1)
        if len(calls) == 9:
            raise KeyboardInterrupt

    (rack.folder / "a.csv").write_text(HEADER + "".join(lines))
    with pytest.raises(KeyboardInterrupt):
        Loader(rack.connection, METERS, now_s=NOW_S, kept_lines=9).load(rack.folder / "a.csv", tell=pull_the_plug)
    assert 0 < len(rack.rows("all_minutes")) < 8640
    assert rack.rows("loaded") == []
    rack.load(lines)
    with new_rack(tmp_path_factory) as other:
        other.load(lines)
        assert rack.state() == other.state()
        assert rack.rows("rejected") == other.rows("rejected")


def test_a_second_file_of_the_same_days_joins_in(rack: Rack, tmp_path_factory: pytest.TempPathFactory) -> None:
    """One meter's log after the others': minutes and hours as if all had come together."""
    lines = log_lines(minutes=1600)
    rack.load([line for line in lines if ",M2," not in line], "a.csv")
    rack.load([line for line in lines if ",M2," in line], "b.csv")
    with new_rack(tmp_path_factory) as other:
        other.load(lines)
        assert rack.state() == other.state()


def test_what_another_writer_stores_meanwhile_is_in_the_hours(
    rack: Rack, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The collector stores a meter's minutes of days that are being loaded: hours as if all had been loaded at once."""
    lines = log_lines(minutes=3 * 1440)
    theirs = [line for line in lines if ",M2," in line]
    (rack.folder / "theirs.csv").write_text(HEADER + "".join(theirs))
    (rack.folder / "ours.csv").write_text(HEADER + "".join(line for line in lines if ",M2," not in line))
    cut_up(monkeypatch, chunk_bytes=20_000, read_bytes=20_000)
    calls = []

    def let_others_write(_read: int) -> None:
        calls.append(1)
        if len(calls) == 3:
            with contextlib.closing(open_writer(rack.folder / "rack.db")) as other:
                Loader(other, METERS, now_s=NOW_S, kept_lines=9).load(rack.folder / "theirs.csv")

    loader = Loader(rack.connection, METERS, now_s=NOW_S, kept_lines=9)
    loader.load(rack.folder / "ours.csv", tell=let_others_write)
    loader.refresh_hours()
    with new_rack(tmp_path_factory) as other:
        other.load(lines)
        assert rack.state() == other.state()


@pytest.mark.parametrize("cuts", [(4000, 8000), (4320, 8640), (4330, 10_070), (5759, 5761)])
def test_a_log_in_several_files_is_one_log(
    rack: Rack, tmp_path_factory: pytest.TempPathFactory, cuts: tuple[int, int]
) -> None:
    """Eight days in three files one after the other, cut at midnight, about it, in the day, and with a day of a minute."""
    lines = log_lines(minutes=8 * 1440)
    for number, (first, end) in enumerate(itertools.pairwise((0, *cuts, 8 * 1440))):
        rack.load(lines[3 * first : 3 * end], f"{number}.csv")
    with new_rack(tmp_path_factory) as other:
        other.load(lines)
        assert rack.state() == other.state()


def test_rows_without_a_date_are_in_the_hours_of_a_day_that_is_loaded(rack: Rack) -> None:
    """A meter whose rows wait for the clock to be known, on the first of three days of a log of the others."""
    undated.write_anchor(rack.connection, Anchor(id=1, boot="b", steady_ms=0, offset_ms=START_S * 1000, known=False))
    third = meter_ids(rack.connection, [meter.name for meter in METERS])["M3"]
    waiting = [
        MinuteRow(100 + n, third, 0, 600 * n + 590, 590, 59_000, 59_000, 10_000, 10_000, 60, 0) for n in range(300)
    ]
    undated.write_undated(rack.connection, 1, waiting)
    rack.load([line for line in log_lines(minutes=3 * 1440) if ",M3," not in line])
    found = rack.connection.execute("SELECT pulses / seconds FROM hour WHERE meter = ? AND seconds = 3600", (third,))
    assert found.fetchall() == [(pytest.approx(10),)] * 4


def test_the_database_is_sound_after_it_all(rack: Rack) -> None:
    """SQLite's own check."""
    rack.load(log_lines(minutes=3000))
    rack.load(log_lines(minutes=1500, from_s=START_S + 90_000), "b.csv")
    assert rack.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert rack.connection.execute("PRAGMA foreign_key_check").fetchall() == []


def test_a_full_disk_leaves_the_database_sound(rack: Rack) -> None:
    """The load fails with the database's own error, and nothing half-written stays."""
    pages = rack.connection.execute("PRAGMA page_count").fetchone()[0]
    rack.connection.execute(f"PRAGMA max_page_count = {pages + 3}")
    with pytest.raises(sqlite3.OperationalError, match="full"):
        rack.load(log_lines(minutes=3000))
    assert rack.rows("all_minutes") == []
    assert rack.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)

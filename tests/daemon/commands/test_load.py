"""`clearbore load` as a program."""

import contextlib
import gzip
import json
import os
import pathlib
import pty
import sqlite3
import subprocess
import sys

import pytest

from tests.support.plant_files import REEF

HEADER = "time_utc,meter,pulses\n"
PLANT = REEF + '\n[[meter]]\nname = "L1"\npulses_per_litre = 450\n\n[[meter]]\nname = "L2"\npulses_per_litre = 450\n'


@pytest.fixture
def plant(tmp_path: pathlib.Path) -> pathlib.Path:
    """A plant file with two meters that only logs feed."""
    file = tmp_path / "reef.toml"
    file.write_text(PLANT, encoding="utf-8")
    return file


@pytest.fixture
def log(tmp_path: pathlib.Path) -> pathlib.Path:
    """Two hours of one-minute readings, one of them twice, and two bad lines."""
    lines = [
        f"2025-03-01T{minute // 60:02d}:{minute % 60:02d}:00Z,{meter},{1000 + minute * 600}\n"
        for minute in range(120)
        for meter in ("L1", "L2")
    ]
    file = tmp_path / "march.csv.gz"
    file.write_bytes(
        gzip.compress((HEADER + "".join([*lines, lines[7], "bad\n", "2025-03-01T00:00:00,L1,5\n"])).encode())
    )
    return file


def load(*arguments: str | pathlib.Path) -> subprocess.CompletedProcess[str]:
    """Run the command."""
    return subprocess.run(["clearbore", "load", *arguments], capture_output=True, text=True, check=False)


def test_a_log_is_loaded_beside_its_plant_file(plant: pathlib.Path, log: pathlib.Path) -> None:
    """The summary says what came in, what did not, and where it is."""
    done = load(plant, log)
    assert done.returncode == 0
    assert done.stderr == ""
    assert done.stdout.splitlines() == [
        "march.csv.gz: 240 readings of 2 meters (L1, L2)",
        "  from 2025-03-01T00:00:00Z to 2025-03-01T01:59:00Z",
        "  1 doubled line, 1 late, 0 counter restarts",
        "  0 gaps too long to know the flow in",
        "  2 lines refused, kept in quarantine:",
        "    1 x time without zone",
        "    1 x wrong number of fields",
        f"database {plant.with_suffix('.db')}",
    ]
    assert plant.with_suffix(".db").is_file()


def test_the_summary_for_machines(plant: pathlib.Path, log: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """JSON alone on standard output, the words on standard error."""
    done = load(plant, log, "--db", tmp_path / "other.db", "--json")
    summary = json.loads(done.stdout)
    assert "240 readings" in done.stderr
    assert summary["database"] == str(tmp_path / "other.db")
    assert summary["events"] is None
    (entry,) = summary["logs"]
    assert {key: entry[key] for key in ("lines", "readings", "doubled", "late", "from", "to", "rejected")} == {
        "lines": 243,
        "readings": 240,
        "doubled": 1,
        "late": 1,
        "from": "2025-03-01T00:00:00Z",
        "to": "2025-03-01T01:59:00Z",
        "rejected": {"wrong number of fields": 1, "time without zone": 1},
    }


def test_loading_twice_says_so(plant: pathlib.Path, log: pathlib.Path) -> None:
    """And does nothing."""
    load(plant, log)
    done = load(plant, log)
    assert done.returncode == 0
    assert "already loaded" in done.stdout


def test_events_are_loaded_with_their_bad_lines_counted(plant: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """A repeated event is known, a bad one is counted by its reason, and twice is as good as once."""
    events = tmp_path / "events.csv"
    events.write_text(
        "time_utc,kind,target,value\n"
        "2025-03-01T10:00:00Z,feed_pause,pump,10\n"
        "2025-03-01T10:00:00.000Z,feed_pause,pump,10.0\n"
        "2025-03-01T11:00:00Z,maintenance,nowhere,media_changed\n"
        "2025-03-01T11:00:00Z,party,pump,1\n"
        "soon,pump_speed,pump,80\n"
    )
    done = load(plant, "--events", events, "--json")
    assert done.returncode == 0
    assert json.loads(done.stdout)["events"] == {
        "name": "events.csv",
        "already_loaded": False,
        "lines": 5,
        "new": 1,
        "known": 1,
        "rejected": {"target does not fit": 1, "unknown kind": 1, "unreadable time": 1},
    }
    assert json.loads(load(plant, "--events", events, "--json").stdout)["events"]["already_loaded"]


@pytest.mark.parametrize(
    ("content", "code", "words"),
    [
        (None, 66, "there is no such file"),
        (b"when,what\n", 65, "time_utc,meter,pulses"),
        (b"", 65, "the header lacks time_utc, meter, pulses"),
    ],
)
def test_a_log_that_is_none_is_named(
    plant: pathlib.Path, tmp_path: pathlib.Path, content: bytes | None, code: int, words: str
) -> None:
    """One line that says what is wrong, where, and what it must be; nothing is loaded, nothing is made."""
    path = tmp_path / "x.csv"
    if content is not None:
        path.write_bytes(content)
    done = load(plant, path)
    assert done.returncode == code
    assert str(path) in done.stderr
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert not plant.with_suffix(".db").exists()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\x1f\x8b\x08\x00\x00", "not compressed"),
        (b"time_utc,meter,pulses\n", "name it without --events"),
        (b"time_utc,kind\n", "the header lacks target, value"),
    ],
)
def test_an_events_file_that_is_none_is_named(
    plant: pathlib.Path, tmp_path: pathlib.Path, content: bytes, words: str
) -> None:
    """What it is instead, where that can be told, and nothing that a terminal cannot show."""
    path = tmp_path / "x.csv"
    path.write_bytes(content)
    done = load(plant, "--events", path)
    assert done.returncode == 65
    assert words in done.stderr
    assert done.stderr.strip().isprintable()


def test_a_log_of_another_plant_is_no_success(plant: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """Not one reading of this plant's meters: exit 65, the plant's meters named, the lines counted."""
    file = tmp_path / "strange.csv"
    file.write_text(HEADER + "2025-03-01T00:00:00Z,X9,100\n2025-03-01T00:01:00Z,X9,200\n", encoding="utf-8")

    done = load(plant, file)

    assert done.returncode == 65
    assert "strange.csv: not one line is a reading of this plant, whose meters are" in done.stderr
    assert "L1, L2" in done.stderr
    assert "2 lines refused" in done.stdout


def test_nothing_to_load_is_a_usage_error(plant: pathlib.Path) -> None:
    """Neither a log nor events."""
    done = load(plant)
    assert done.returncode == 2
    assert "--events FILE" in done.stderr


def test_without_numpy_the_extra_is_named(plant: pathlib.Path, log: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """The base install collects and checks; loading needs more."""
    (tmp_path / "sitecustomize.py").write_text(
        "import importlib.util as u\n"
        "real = u.find_spec\n"
        "u.find_spec = lambda name, package=None: None if name == 'numpy' else real(name, package)\n"
    )
    done = subprocess.run(
        ["clearbore", "load", plant, log],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
    )
    assert done.returncode == 69
    assert "clearbore[all]" in done.stderr


def test_a_terminal_shows_how_far_it_is(plant: pathlib.Path, log: pathlib.Path) -> None:
    """A bar on a terminal only."""
    parent, child = pty.openpty()
    with subprocess.Popen(["clearbore", "load", plant, log], stdout=subprocess.PIPE, stderr=child) as running:
        os.close(child)
        running.communicate(timeout=30)
        shown = os.read(parent, 65_536).decode()
    os.close(parent)
    assert "Loading" in shown
    assert "100%" in shown


def test_a_locked_database_is_explained(plant: pathlib.Path, log: pathlib.Path) -> None:
    """Another writer is named as the cause, not a traceback shown."""
    load(plant, "--events", _events(plant))
    script = (
        "import sqlite3, sys\n"
        f"connection = sqlite3.connect({str(plant.with_suffix('.db'))!r}, isolation_level=None)\n"
        "connection.execute('BEGIN IMMEDIATE')\n"
        "print('held', flush=True)\n"
        "sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        done = load(plant, log)
        holder.communicate("")
    assert done.returncode == 74
    assert "another program is writing" in done.stderr


def _events(plant: pathlib.Path) -> pathlib.Path:
    """An events file without events."""
    path = plant.with_name("none.csv")
    path.write_text("time_utc,kind,target,value\n")
    return path


def test_minutes_older_than_the_plant_file_keeps_are_dropped(plant: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """The summary says so, and the hours of the dropped days stay."""
    plant.write_text(PLANT + "\n[store]\nminutes_kept_days = 2\n", encoding="utf-8")
    log = tmp_path / "week.csv"
    lines = (
        f"2025-03-{1 + minute // 1440:02d}T{minute // 60 % 24:02d}:{minute % 60:02d}:00Z,L1,{minute * 600}\n"
        for minute in range(7 * 1440)
    )
    log.write_text(HEADER + "".join(lines), encoding="utf-8")
    done = load(plant, log)
    assert "4 days of minutes dropped because of their age" in done.stdout
    with contextlib.closing(sqlite3.connect(plant.with_suffix(".db"))) as connection:
        days = "SELECT count(DISTINCT minute / 1440) FROM all_minutes"
        assert connection.execute(days).fetchone() == (3,)
        assert connection.execute("SELECT count(*) FROM hour").fetchone() == (7 * 24,)


def test_what_comes_too_late_is_told(plant: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """Lines of a meter and values of a gauge in hours whose minutes were dropped: for people and for machines."""
    gauge = '[[gauge]]\nname = "header"\nreads = "pressure"\nrun = "riser"\nunit = "kPa"\n'
    plant.write_text(f"{PLANT}\n{gauge}\n[store]\nminutes_kept_days = 2\n", encoding="utf-8")
    moments = [f"2025-03-{1 + ten // 144:02d}T{ten // 6 % 24:02d}:{ten % 6}0:00Z" for ten in range(7 * 144)]
    files = [tmp_path / name for name in ("week.csv", "header.csv", "late.csv", "late-header.csv")]
    files[0].write_text(
        HEADER + "".join(f"{at},L1,{6000 * step}\n" for step, at in enumerate(moments)), encoding="utf-8"
    )
    files[1].write_text("time_utc,channel,value\n" + "".join(f"{at},header,21.4\n" for at in moments), encoding="utf-8")
    files[2].write_text(f"{HEADER}2025-03-02T10:05:00Z,L1,1023000\n", encoding="utf-8")
    files[3].write_text("time_utc,channel,value\n2025-03-02T10:05:00Z,header,99\n", encoding="utf-8")
    load(plant, files[0], "--gauges", files[1])
    done = load(plant, files[2], "--gauges", files[3], "--json")

    told = "1 too late, which change nothing: the minutes of their hours were dropped because of their age"
    assert done.stderr.count(told) == 2
    summary = json.loads(done.stdout)
    assert (summary["logs"][0]["readings"], summary["logs"][0]["too_late"]) == (1, 1)
    assert (summary["gauges"][0]["values"], summary["gauges"][0]["too_late"]) == (1, 1)
    with contextlib.closing(sqlite3.connect(plant.with_suffix(".db"))) as connection:
        day = "SELECT count(*), round(sum(pulses)) FROM hour WHERE hour / 24 = 20149"
        assert connection.execute(day).fetchone() == (24, 864_000.0)


def test_gauge_files_are_loaded_with_a_log(plant: pathlib.Path, log: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """What came in is said, for people and for machines; a second time changes nothing."""
    plant.write_text(
        f'{PLANT}\n[[gauge]]\nname = "header"\nreads = "pressure"\nrun = "riser"\nunit = "kPa"\n', encoding="utf-8"
    )
    file = tmp_path / "header.csv"
    file.write_text(
        "time_utc,channel,value\n2025-03-01T00:30:00Z,header,21.4\n2025-03-01T01:30:00Z,header,21.5\n"
        "2025-03-01T01:30:00Z,header,21.5\n2025-03-01T01:31:00Z,sump,0.3\n",
        encoding="utf-8",
    )
    done = load(plant, log, "--gauges", file)

    assert done.returncode == 0
    assert done.stdout.splitlines()[7:-1] == [
        "header.csv: 2 values of 1 gauge (header)",
        "  from 2025-03-01T00:30:00Z to 2025-03-01T01:30:00Z",
        "  1 doubled line",
        "  1 line refused, kept in quarantine:",
        "    1 x unknown gauge",
    ]
    (again,) = json.loads(load(plant, "--gauges", file, "--json").stdout)["gauges"]
    assert (again["already_loaded"], again["values"]) == (True, 2)


def test_a_gauge_file_of_another_plant_is_told(plant: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """A plant without gauges, and one whose gauge is called otherwise."""
    file = tmp_path / "header.csv"
    file.write_text("time_utc,channel,value\n2025-03-01T00:30:00Z,header,21.4\n", encoding="utf-8")
    without = load(plant, "--gauges", file)
    plant.write_text(
        f'{PLANT}\n[[gauge]]\nname = "other"\nreads = "pressure"\nrun = "riser"\nunit = "kPa"\n', encoding="utf-8"
    )
    barren = load(plant, "--gauges", file)

    assert (without.returncode, barren.returncode) == (65, 65)
    assert "add a [[gauge]]" in without.stderr
    assert "not one line is a value of this plant's gauges, which are other" in barren.stderr

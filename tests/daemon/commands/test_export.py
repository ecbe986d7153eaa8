"""`clearbore export`: what the files hold, the way back through `clearbore load`, and what is refused."""

import contextlib
import csv
import itertools
import json
import pathlib
import sqlite3
from typing import Any

import click
import polars as pl
import pytest
from click.testing import CliRunner, Result

from analysis.events import Event, EventKind
from config.errors import InputMissing, OutputUnwritable
from config.load import load_plant
from daemon.commands.export import command
from daemon.exporting.export import DAY_MS, _pieces
from daemon.exporting.tables import TABLE_NAMES, Request, Span, tables_of
from daemon.loading.session import Order, load_all
from daemon.store import writer
from daemon.store.hours import refresh_hours
from daemon.store.journal import add_events
from daemon.store.opening import open_reader, open_writer
from daemon.store.prepare import prepare_store

PLANT = """
[plant]
name = "Slate cove"
flow_unit = "gal/h"
timezone = "Atlantic/Azores"
[pump]
curve = [["0 L/h", "4.2 m"], ["5000 L/h", "3.1 m"], ["9000 L/h", "0.5 m"]]
[[run]]
name = "carbon"
from = "pump"
outlet = "20 cm"
path = [{ pipe = "1/2 in sch 40", length = "1 m" }]
meter = "M1"
[[meter]]
name = "M1"
pulses_per_litre = 450
[[meter]]
name = "M2"
pulses_per_litre = 450
counter_bits = 16
"""
DAY = 20_395
START_S = DAY * 86_400
NOW_S = START_S + 30 * 86_400.0
MINUTES = 3 * 1440
RATES = {"M1": 50, "M2": 20}


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> pathlib.Path:
    """Three days of two meters as a collector writes them (ten readings a minute, one counter of 16 bits), and a journal.

    M1's first day is a log file's, with one reading a minute, so that it is kept in blocks.
    """
    plant = tmp_path_factory.mktemp("export") / "cove.toml"
    plant.write_text(PLANT)
    log = plant.with_name("first.csv")
    lines = (f"{utc(START_S + 60 * minute + 7)},M1,{60 * 50 * minute + 350}\n" for minute in range(1440))
    log.write_text("time_utc,meter,pulses\n" + "".join(lines))
    load(plant, log)
    with contextlib.closing(open_writer(plant.with_suffix(".db"))) as connection:
        numbers = writer.meter_ids(connection, list(RATES))
        rows = [
            collected(minute, numbers[name], rate, bits)
            for name, rate, bits in (("M1", 50, 32), ("M2", 20, 16))
            for minute in range(1440 if name == "M1" else 0, MINUTES)
        ]
        writer.write_minutes(connection, rows)
        event = Event(at_s=START_S + 86_400, kind=EventKind.CALIBRATION, target="M1", value="500")
        add_events(connection, [event], source="by hand")
        writer.write_rejects(
            connection, "x.csv", [writer.Reject("CRC wrong", '=1+1,"x"', None, START_S * 1000)], kept_lines=9
        )
        refresh_hours(connection, load_plant(plant).plant.meters)
    return plant


def collected(minute: int, meter: int, rate: int, bits: int) -> writer.MinuteRow:
    """A minute of ten readings, six seconds apart, at an even rate."""
    counted = rate * (60 * minute + 57) % (1 << bits)
    return writer.MinuteRow(
        START_S // 60 + minute, meter, 0, counted, 54 * rate, 57_000, 54_000, 1000 * rate, 1000 * rate, 10, 0
    )


def utc(at_s: int) -> str:
    """As a log writes it."""
    day, second = divmod(at_s - START_S, 86_400)
    return f"2025-11-{3 + day:02d}T{second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}Z"


def load(plant: pathlib.Path, *logs: pathlib.Path, events: pathlib.Path | None = None) -> None:
    """Load logs into the database of a plant file."""
    order = Order(database=plant.with_suffix(".db"), logs=logs, events=events, again=False)
    load_all(load_plant(plant), order, now_s=NOW_S, tell=lambda _done: None)


def run(plant: pathlib.Path, *options: object) -> Result:
    """Run the command."""
    return CliRunner().invoke(command, [str(plant), *map(str, options)])


def read(path: pathlib.Path) -> list[dict[str, str]]:
    """A file's rows."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def held(plant: pathlib.Path, sql: str) -> list[tuple[Any, ...]]:
    """What the database holds."""
    with contextlib.closing(open_reader(plant.with_suffix(".db"))) as connection:
        return connection.execute(sql).fetchall()


def test_every_table_is_a_file(filled: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """With as many rows as were told, none of them lost."""
    said = json.loads(run(filled, "--out", tmp_path / "all", "--json").stdout)

    assert [file["table"] for file in said["files"]] == list(TABLE_NAMES)
    told = {file["table"]: file["rows"] for file in said["files"]}
    assert told["counts"] == 1440 + 2 * (2 * 1440 + MINUTES)
    assert told["minutes"] == held(filled, "SELECT count(*) FROM all_minutes")[0][0]
    assert told["hours"] == held(filled, "SELECT count(*) FROM hour")[0][0]
    for file in said["files"]:
        assert len(read(pathlib.Path(file["path"]))) == file["rows"]


def test_counts_load_again(filled: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """Out as CSV, into a new database: every minute's count, pulses and times, and every hour, as they were.

    A minute in which a counter wrapped comes back in two parts. Such a step is known for a wrap by the rate that is
    usual, so that on the very first day, as with any log, it costs its own interval.
    """
    run(filled, "--out", tmp_path / "counts.csv.gz", "--what", "counts")
    again = tmp_path / "cove.toml"
    again.write_text(PLANT)
    load(again, tmp_path / "counts.csv.gz")

    minutes = "SELECT minute, name, part, count, pulses, at_ms, span_ms FROM all_minutes JOIN meter ON id = meter ORDER BY 1, 2"
    hours = "SELECT hour, name, pulses, seconds, off_s FROM hour JOIN meter ON id = meter ORDER BY 1, 2"
    wrapped = {row[:2] for row in held(filled, minutes) if row[4] > row[3]}
    assert len(wrapped) == 72
    assert [row for row in held(again, minutes) if row[:2] not in wrapped] == [
        row for row in held(filled, minutes) if row[:2] not in wrapped
    ]
    back, were = held(again, hours), held(filled, hours)
    first_day = {(DAY * 24 + hour, "M2") for hour in range(24)}
    assert [row for row in back if row[:2] not in first_day] == [row for row in were if row[:2] not in first_day]
    assert [row[2] / row[3] for row in back] == pytest.approx([row[2] / row[3] for row in were])
    assert len(held(again, hours)) == 2 * 72


def test_journal_loads_again(filled: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """As an events file."""
    run(filled, "--out", tmp_path / "journal.csv", "--what", "journal")
    again = tmp_path / "cove.toml"
    again.write_text(PLANT)
    load(again, events=tmp_path / "journal.csv")

    journal = "SELECT at_ms, kind, target, value FROM journal"
    assert held(again, journal) == held(filled, journal) != []


def test_flows_are_in_the_keepers_unit(filled: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """50 pulses a second at 450 a litre are 400 L/h, 105.67 US gallons of 3.785411784 L; from the calibration on, 360 L/h."""
    run(filled, "--out", tmp_path / "m.csv", "--what", "minutes", "--meter", "M1")
    rows = read(tmp_path / "m.csv")

    assert rows[0]["flow_us_gal_per_h"] == ""
    assert float(rows[1]["flow_us_gal_per_h"]) == pytest.approx(400 / 3.785411784, rel=1e-8)
    assert float(rows[-1]["flow_us_gal_per_h"]) == pytest.approx(360 / 3.785411784, rel=1e-8)
    assert {row["run"] for row in rows} == {"carbon"}


def test_flows_in_si(filled: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """In minutes and hours alike, with the unit in the column's name; a 16-bit counter's wraps are no gaps."""
    for table in ("minutes", "hours"):
        run(filled, "--out", tmp_path / f"{table}.csv", "--what", table, "--si", "--meter", "M2")
        flows = [row["flow_m3_per_s"] for row in read(tmp_path / f"{table}.csv")]
        known = [float(flow) for flow in flows if flow]
        assert known == pytest.approx([20 / 450 / 1000] * len(known), rel=1e-6)
        assert len(flows) - len(known) == (1 if table == "minutes" else 0)


def test_parquet_holds_the_same(filled: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """Read by polars, row for row as the CSV."""
    for form in ("csv", "parquet"):
        run(filled, "--out", tmp_path / f"m.{form}", "--what", "minutes")
    table = pl.read_parquet(tmp_path / "m.parquet").rows(named=True)
    rows = read(tmp_path / "m.csv")

    assert [row["pulses"] for row in table] == [int(row["pulses"]) for row in rows]
    assert table[0]["time_utc"].isoformat() == "2025-11-03T00:00:07+00:00"
    assert table[-1]["restart"] is False


def test_times_and_meters_asked_for(filled: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """By the plant's clock: an hour behind UTC on the Azores, so its noon is 13:00 UTC."""
    span = ("--from", "2025-11-04T12:00", "--to", "2025-11-04T13:30:00Z")
    run(filled, "--out", tmp_path / "c.csv", "--what", "counts", "--meter", "M2", *span)
    rows = read(tmp_path / "c.csv")

    assert (rows[0]["time_utc"], rows[-1]["time_utc"]) == ("2025-11-04T13:00:03Z", "2025-11-04T13:29:57Z")
    assert {row["meter"] for row in rows} == {"M2"}


def test_no_more_than_a_day_is_held(filled: pathlib.Path) -> None:
    """The spans of the large tables are whole UTC days, one after the other, whatever the time asked for."""
    request = Request(plant=load_plant(filled).plant, meters=(), si=False)
    span = Span(from_ms=START_S * 1000 - 5_000, to_ms=START_S * 1000 + 400 * DAY_MS + 7)
    for name in ("counts", "minutes"):
        pieces = list(_pieces(span, tables_of(request)[name]))
        assert (pieces[0].from_ms, pieces[-1].to_ms) == (span.from_ms, span.to_ms)
        assert all(before.to_ms == after.from_ms for before, after in itertools.pairwise(pieces))
        assert max(piece.to_ms - piece.from_ms for piece in pieces) == DAY_MS


def test_a_known_restart_is_marked_and_told(tmp_path: pathlib.Path) -> None:
    """`minutes` marks it, and gives no flow across it; whoever takes bare counts is told that they do not."""
    plant = tmp_path / "cove.toml"
    plant.write_text(PLANT)
    prepare_store(plant.with_suffix(".db"))
    with contextlib.closing(open_writer(plant.with_suffix(".db"))) as connection:
        number = writer.meter_ids(connection, ["M1"])["M1"]
        rows = [collected(minute, number, 50, 32)._replace(restart=int(minute == 1)) for minute in range(3)]
        writer.write_minutes(connection, rows)
    said = run(plant, "--out", tmp_path / "out")

    assert [row["restart"] for row in read(tmp_path / "out" / "minutes.csv")] == ["0", "1", "0"]
    assert [bool(row["flow_us_gal_per_h"]) for row in read(tmp_path / "out" / "minutes.csv")] == [False, False, True]
    assert "counters restarted 1 times" in said.stderr


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("--meter", "M7"), "M7: the plant's meters are M1, M2"),
        (("--out", "all.csv"), "say which table it is to hold"),
        (("--out", "a.csv", "--what", "hours", "--format", "parquet"), "does not go with a file named"),
        (("--from", "yesterday"), "'yesterday' is no time"),
    ],
)
def test_what_cannot_be_meant(filled: pathlib.Path, options: tuple[str, ...], why: str) -> None:
    """Wrong usage, exit code 2, and what to write instead."""
    said = run(filled, *options)

    assert said.exit_code == click.UsageError.exit_code
    assert why in " ".join(said.stderr.split())


def test_nothing_to_export(filled: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """An empty database, and a time of which there is nothing, are no empty files."""
    plant = tmp_path / "cove.toml"
    plant.write_text(PLANT)
    prepare_store(plant.with_suffix(".db"))

    assert isinstance(run(plant).exception, InputMissing)
    assert isinstance(run(filled, "--out", tmp_path / "x", "--from", "2030-01-01T00:00").exception, InputMissing)


def test_a_folder_that_cannot_be_made(filled: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """It is named, with what to do."""
    said = run(filled, "--out", tmp_path / "none" / "deeper")

    assert isinstance(said.exception, OutputUnwritable)
    assert "name another with --out" in str(said.exception)


def test_exporting_writes_nothing_into_the_database(filled: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """A day that is behind is derived for the export alone."""
    database = filled.with_suffix(".db")
    with contextlib.closing(sqlite3.connect(database)) as connection, connection:
        connection.execute("INSERT OR IGNORE INTO stale_day VALUES (?)", (DAY,))
    run(filled, "--out", tmp_path / "h.csv", "--what", "hours")

    assert held(filled, "SELECT day FROM stale_day") == [(DAY,)]

"""Files of tables: what they hold, and that there is never half of one."""

import csv
import gzip
import math
import os
import pathlib

import polars as pl
import pytest

from config.errors import OutputUnwritable
from daemon.exporting.files import Column, Format, Kind, whole_file

COLUMNS = (
    Column(name="time_utc", kind=Kind.TIME),
    Column(name="meter", kind=Kind.TEXT),
    Column(name="pulses", kind=Kind.WHOLE),
    Column(name="flow_l_per_h", kind=Kind.NUMBER),
    Column(name="restart", kind=Kind.YES_NO),
)
ROWS = [
    (1_793_714_400_000, 'carbon, "left"', 4_294_967_295, 412.5, True),
    (1_793_714_400_058, "größe\nzwei", None, None, False),
]


def test_csv_is_read_by_others(tmp_path: pathlib.Path) -> None:
    """Commas, quotes and line breaks come back from the standard library's reader; an empty field is no value."""
    with whole_file(tmp_path / "a.csv", COLUMNS, Format.CSV) as file:
        file.write(ROWS)
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as text:
        head, *rows = csv.reader(text)

    assert head == [column.name for column in COLUMNS]
    assert rows == [
        ["2026-11-03T14:00:00Z", 'carbon, "left"', "4294967295", "412.5", "1"],
        ["2026-11-03T14:00:00.058Z", "größe\nzwei", "", "", "0"],
    ]


def test_packed_csv_is_the_same_text(tmp_path: pathlib.Path) -> None:
    """Unpacked by the standard library."""
    for name, form in (("a.csv", Format.CSV), ("a.csv.gz", Format.PACKED_CSV)):
        with whole_file(tmp_path / name, COLUMNS, form) as file:
            file.write(ROWS)

    assert gzip.decompress((tmp_path / "a.csv.gz").read_bytes()) == (tmp_path / "a.csv").read_bytes()


def test_parquet_is_read_by_another_library(tmp_path: pathlib.Path) -> None:
    """By polars, which has a reader of its own: times are timestamps in UTC, empty is null, and text is as it was."""
    with whole_file(tmp_path / "a.parquet", COLUMNS, Format.PARQUET) as file:
        file.write(ROWS)
        file.write(ROWS[:1])
    table = pl.read_parquet(tmp_path / "a.parquet")

    assert table.dtypes == [pl.Datetime("us", "UTC"), pl.String, pl.Int64, pl.Float64, pl.Boolean]
    rows = table.rows(named=True)
    assert [row["meter"] for row in rows] == [ROWS[0][1], ROWS[1][1], ROWS[0][1]]
    assert (rows[1]["time_utc"].isoformat(), rows[1]["pulses"]) == ("2026-11-03T14:00:00.058000+00:00", None)
    assert (rows[0]["restart"], rows[1]["restart"]) == (True, False)
    assert math.isclose(rows[2]["flow_l_per_h"], 412.5)


@pytest.mark.parametrize("form", list(Format))
def test_an_empty_table_is_a_file_too(tmp_path: pathlib.Path, form: Format) -> None:
    """With its columns, so that whoever reads it finds them."""
    path = tmp_path / f"a.{form.value}"
    with whole_file(path, COLUMNS, form):
        pass
    if form is Format.PARQUET:
        assert pl.read_parquet(path).height == 0
    else:
        text = gzip.decompress(path.read_bytes()) if form is Format.PACKED_CSV else path.read_bytes()
        assert text.decode().splitlines() == [",".join(column.name for column in COLUMNS)]


@pytest.mark.parametrize("form", list(Format))
def test_an_error_leaves_the_old_file(tmp_path: pathlib.Path, form: Format) -> None:
    """What was there stays, and nothing is left of the new one."""
    path = tmp_path / "a"
    path.write_text("old")
    with pytest.raises(ValueError, match=r"shorter|longer"), whole_file(path, COLUMNS, form) as file:  # noqa: PT012 - the second row fails
        file.write(ROWS)
        file.write([(1, "a row of two columns")])
    del file
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_full_disk_is_said(tmp_path: pathlib.Path) -> None:
    """The device that is always full stands for the disk; what to do is said."""
    (tmp_path / f".a.csv.{os.getpid()}.part").symlink_to("/dev/full")
    with (
        pytest.raises(OutputUnwritable, match=r"No space left on device\); free some space"),
        whole_file(tmp_path / "a.csv", COLUMNS, Format.CSV) as file,
    ):
        file.write(ROWS * 2000)
    assert list(tmp_path.iterdir()) == []

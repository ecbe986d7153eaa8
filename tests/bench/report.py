"""A year of a manifold's readings: loading, the report in a process of its own, and the hourly assessment.

    python tests/bench/report.py [--json] [--meters 20] [--days 365]

An invented manifold with a meter on every branch, a reading a minute, loaded four weeks at a time beside
pandas.read_csv of the same files (CPU time, median of the files). The report is `clearbore report` from start to exit,
with its peak memory (VmHWM, Linux): `first_report_s` where nobody has judged the year yet, hour by hour from its
beginning; `year_report_s` as it comes every week, with what the hourly assessment keeps. With ten meters, `assess_all_s`
is the CPU time of judging the year from its beginning and `assess_hour_ms` that of the next hour, by
`analysis.assess.assess` as the hourly job calls it, with what the one before kept: watch, findings, forecasts.
"""

import argparse
import json
import pathlib
import sqlite3
import statistics
import sys
import tempfile
from functools import partial

import numpy as np
import pandas as pd

sys.path.insert(0, str(pathlib.Path(__file__).parents[2]))  # run as a script, the folder above is not on the path

from analysis.assess import assess
from analysis.baseline_text import from_json
from analysis.frames import HOUR_S
from config.parse import parse_plant
from config.settings import PlantFile
from daemon.assessing import commission_stored, placed_meters
from daemon.loading.load import Loader
from daemon.store.baselines import latest_baseline
from daemon.store.opening import open_reader, open_writer
from daemon.store.prepare import prepare_store
from daemon.store.reader import read_hours
from tests.support.long_header import PULSES_PER_LITRE, minute_flows, plant_text
from tests.support.usage import cost_of, cpu_s

START_S = 1_735_689_600  # 2025-01-01T00:00:00Z
DAY_S, FILE_DAYS = 86_400, 28
ASSESSED_METERS = 10
RUNS = 5


def write_log(path: pathlib.Path, meters: tuple[str, ...], counts: np.ndarray, first_minute: int) -> None:
    """A log of [T, M] counts."""
    at = np.datetime64(START_S, "s") + 60 * (first_minute + np.arange(counts.shape[0])).astype("timedelta64[s]")
    lines = (
        f"{stamp}Z,{name},{count}\n"
        for stamp, row in zip(np.datetime_as_string(at).tolist(), counts.tolist(), strict=True)
        for name, count in zip(meters, row, strict=True)
    )
    path.write_text("time_utc,meter,pulses\n" + "".join(lines), encoding="utf-8")


def load_log(connection: sqlite3.Connection, plant: PlantFile, log: pathlib.Path) -> None:
    """Load one file, hours and all."""
    loader = Loader(connection, plant.plant.meters, now_s=4e9, kept_lines=100)
    loader.load(log)
    loader.refresh_hours()


def load_year(plant: PlantFile, database: pathlib.Path, days: int) -> float:
    """Load all files into a new database; CPU of it over that of pandas.read_csv, the median of the files."""
    meters = placed_meters(plant.plant)
    counts = np.floor(PULSES_PER_LITRE * np.cumsum(minute_flows(plant, days), axis=0)).astype(np.int64) % 2**32
    prepare_store(database)
    connection = open_writer(database)
    ratios = []
    file_minutes = FILE_DAYS * 24 * 60
    for first in range(0, len(counts), file_minutes):
        log = database.with_name(f"log{first}.csv")
        write_log(log, meters, counts[first : first + file_minutes], first)
        read_s = cpu_s(partial(pd.read_csv, log))
        ratios.append(cpu_s(partial(load_log, connection, plant, log)) / read_s)
        log.unlink()
    connection.close()
    return statistics.median(ratios)


def made(folder: pathlib.Path, meters: int, days: int) -> tuple[PlantFile, pathlib.Path, pathlib.Path, float]:
    """A commissioned plant with a year of readings: the plant, its file, its database, and what loading cost."""
    file = folder / f"loft{meters}.toml"
    file.write_text(plant_text(meters), encoding="utf-8")
    plant = parse_plant(plant_text(meters), file=str(file))
    database = file.with_suffix(".db")
    ratio = load_year(plant, database, days)
    commission_stored(plant, database, from_s=None, to_s=None, made_s=float(START_S + days * DAY_S))
    return plant, file, database, ratio


def assessed(plant: PlantFile, database: pathlib.Path) -> tuple[float, float]:
    """CPU seconds of one assessment of all hours, and of the last hour alone by what the one before it kept."""
    connection = open_reader(database)
    row = latest_baseline(connection)
    assert row is not None
    baseline = from_json(row.body)
    frame = read_hours(connection, baseline.meters, from_s=baseline.from_s)
    connection.close()
    now_s = float(frame.start_s + HOUR_S * frame.hours)
    before = assess(plant, baseline, frame, (), now_s - HOUR_S)
    kept = [before.memory] if before.memory is not None else []
    whole_s = cpu_s(lambda: assess(plant, baseline, frame, (), now_s))
    hours_s = [
        cpu_s(lambda: assess(plant, baseline, frame, (), now_s, isolability=False, memories=kept)) for _ in range(RUNS)
    ]
    return whole_s, statistics.median(hours_s)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--meters", type=int, default=20, help="meters of the year that is reported (default 20)")
    parser.add_argument("--days", type=int, default=365, help="days of readings (default 365)")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        _, file, _, ratio = made(folder, options.meters, options.days)
        first, weekly = (cost_of("report", str(file)) for _ in range(2))
        ten, _, database, _ = made(folder, ASSESSED_METERS, options.days)
        all_s, hour_s = assessed(ten, database)
        found = {
            "year_report_s": round(weekly.wall_s, 2),
            "year_report_rss_mb": round(weekly.peak_mb, 1),
            "first_report_s": round(first.wall_s, 2),
            "first_report_rss_mb": round(first.peak_mb, 1),
            "assess_hour_ms": round(1e3 * hour_s, 2),
            "assess_all_s": round(all_s, 2),
            "load_ratio_to_read_csv": round(ratio, 2),
        }
    if options.json:
        sys.stdout.write(json.dumps(found) + "\n")
        return
    sys.stdout.write(
        f"{options.days} days of {options.meters} meters, a reading a minute\n"
        f"report, start to exit      {found['year_report_s']:8.2f} s, {found['year_report_rss_mb']:.1f} MB at most\n"
        f"the first one              {found['first_report_s']:8.2f} s, {found['first_report_rss_mb']:.1f} MB at most\n"
        f"one hour, {ASSESSED_METERS} meters       {found['assess_hour_ms']:8.2f} ms CPU\n"
        f"all hours, {ASSESSED_METERS} meters      {found['assess_all_s']:8.2f} s CPU\n"
        f"loading over pandas.read_csv {found['load_ratio_to_read_csv']:6.2f}\n"
    )


if __name__ == "__main__":
    main()

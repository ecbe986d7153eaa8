"""CPU time of loading a log beside pandas.read_csv of the same file, in one run.

    python tests/bench/load.py [--json] [--lines 1000000] [--runs 7]

CPU is user and system time of the process (time.process_time), the median of several runs that alternate. `pandas.read_csv`
with its defaults only parses the file; loading parses, checks, sorts, stores minute rows durably and derives hours.
Both run with their imports done, and the empty database is made before the clock runs, as it is made once and not for
a file (0.05 s here). Peak memory is that of a `clearbore load` in a process of its own (VmHWM, Linux).
"""

import argparse
import gzip
import json
import pathlib
import statistics
import sys
import tempfile
from functools import partial

import numpy as np
import pandas as pd

sys.path.insert(0, str(pathlib.Path(__file__).parents[2]))  # run as a script, the folder above is not on the path

from config.plant import Meter
from daemon.loading.load import Loader
from daemon.store.opening import open_writer
from daemon.store.prepare import prepare_store
from tests.support.usage import cost_of, cpu_s

START = np.datetime64("2025-01-06T00:00:00.000")
SHAPES = (
    ("a minute, 4 meters", 60, 4, False),
    ("a minute, 20 meters", 60, 20, False),
    ("10 s, 4 meters", 10, 4, False),
    ("10 s, 20 meters", 10, 20, False),
    ("a minute, 4 meters, gzip", 60, 4, True),
    ("10 s, 4 meters, gzip", 10, 4, True),
)
PLANT = """\
[plant]
name = "bench"
[water]
temperature = "25 degC"
salinity = "35 g/kg"
[pump]
curve = [["0 L/h", "4 m"], ["9000 L/h", "0 m"]]
[[run]]
name = "display"
from = "pump"
outlet = "1 m"
path = [{ bore = "35 mm", length = "2 m", roughness = "0.002 mm" }]
"""


def meter_names(meters: int) -> list[str]:
    """Names of usual length."""
    return [f"m_branch_{number}" for number in range(1, meters + 1)]


def write_log(path: pathlib.Path, *, lines: int, every_s: int, meters: int, packed: bool) -> None:
    """A log with jittered times and slightly noisy counts, seeded."""
    rng = np.random.default_rng(1)
    ticks = lines // meters
    at_ms = np.arange(ticks) * every_s * 1000 + rng.integers(0, 200, ticks)
    stamps = np.datetime_as_string(START + at_ms.astype("timedelta64[ms]"))
    rates = rng.uniform(20, 80, meters)
    steps = rng.normal(rates * every_s, rates * every_s * 0.01, (ticks, meters))
    counts = (rng.integers(0, 4_000_000, meters) + np.cumsum(steps, axis=0)).astype(np.int64) % 2**32
    names = meter_names(meters)
    text = "time_utc,meter,pulses\n" + "".join(
        f"{stamp}Z,{name},{count}\n"
        for stamp, row in zip(stamps.tolist(), counts.tolist(), strict=True)
        for name, count in zip(names, row, strict=True)
    )
    path.write_bytes(gzip.compress(text.encode(), 6) if packed else text.encode())


def new_database(folder: pathlib.Path) -> pathlib.Path:
    """An empty database."""
    database = folder / "bench.db"
    for suffix in ("", "-wal", "-shm"):
        pathlib.Path(f"{database}{suffix}").unlink(missing_ok=True)
    prepare_store(database)
    return database


def load_once(log: pathlib.Path, database: pathlib.Path, meters: int) -> None:
    """Load into an empty database, hours and all."""
    connection = open_writer(database)
    known = [Meter(name=name, k_points=((0.0, 450.0),)) for name in meter_names(meters)]
    loader = Loader(connection, known, now_s=4e9, kept_lines=100)
    loader.load(log)
    loader.refresh_hours()
    connection.close()


def peak_mb(log: pathlib.Path, folder: pathlib.Path, meters: int) -> float:
    """Peak resident memory of `clearbore load` in a process of its own."""
    plant = folder / "bench.toml"
    tables = [f'[[meter]]\nname = "{name}"\npulses_per_litre = 450\n' for name in meter_names(meters)]
    plant.write_text(PLANT + "".join(tables))
    peak = cost_of("load", str(plant), str(log), "--db", str(folder / "peak.db")).peak_mb
    (folder / "peak.db").unlink()
    return peak


def measure(shape: tuple[str, int, int, bool], lines: int, runs: int) -> dict[str, float | str]:
    """Both sides on one file."""
    name, every_s, meters, packed = shape
    with tempfile.TemporaryDirectory() as made:
        folder = pathlib.Path(made)
        log = folder / ("log.csv.gz" if packed else "log.csv")
        write_log(log, lines=lines, every_s=every_s, meters=meters, packed=packed)
        load_once(log, new_database(folder), meters)  # warm the caches of both
        pd.read_csv(log)
        pairs = []
        for _run in range(runs):
            database = new_database(folder)
            pairs.append((cpu_s(lambda: pd.read_csv(log)), cpu_s(partial(load_once, log, database, meters))))
        read_s, load_s = (statistics.median(side) for side in zip(*pairs, strict=True))
        kept_mb = (folder / "bench.db").stat().st_size / 1e6
        return {
            "log": name,
            "read_csv_s": round(read_s, 3),
            "load_s": round(load_s, 3),
            "ratio": round(load_s / read_s, 2),
            "database_mb": round(kept_mb, 1),
            "peak_mb": round(peak_mb(log, folder, meters), 1),
        }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--lines", type=int, default=1_000_000, help="lines a log (default 1000000)")
    parser.add_argument("--runs", type=int, default=7, help="runs of each side (default 7)")
    options = parser.parse_args()
    rows = [measure(shape, options.lines, options.runs) for shape in SHAPES]
    worst = max(float(row["ratio"]) for row in rows)
    if options.json:
        sys.stdout.write(json.dumps({"load_ratio_to_read_csv": worst, "lines": options.lines, "logs": rows}) + "\n")
        return
    sys.stdout.write(
        f"{options.lines:,} lines a log, CPU seconds, median of {options.runs}\n"
        f"{pd.DataFrame(rows).to_string(index=False)}\n"
        f"worst ratio of load to read_csv: {worst}\n"
    )


if __name__ == "__main__":
    main()

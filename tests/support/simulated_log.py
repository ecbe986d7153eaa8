"""The simulated rack's hours as a log file, and a plant file with its database filled from it."""

import gzip
from pathlib import Path

import numpy as np
from click.testing import CliRunner, Result

from analysis.frames import HOUR_S, HourFrame
from daemon.cli import group
from tests.support.simulated_rack import PLANT, POWER_NAME, Truth, hours_of, plant_file

EVERY_S = 300


def run(*words: str | Path) -> Result:
    """Run one command of the command line."""
    return CliRunner().invoke(group, [str(word) for word in words])


def log_of(frame: HourFrame) -> str:
    """A reading of every meter each five minutes; a stopped pump leaves the count where it is."""
    rate = np.nan_to_num(np.repeat(frame.rate, HOUR_S // EVERY_S, axis=0))
    counts = np.floor(np.concatenate([np.zeros((1, len(frame.meters))), np.cumsum(rate * EVERY_S, axis=0)]))
    times = np.datetime64(frame.start_s, "s") + np.arange(len(counts)) * np.timedelta64(EVERY_S, "s")
    lines = [
        f"{time}Z,{meter},{int(count)}"
        for time, row in zip(np.datetime_as_string(times), counts, strict=True)
        for meter, count in zip(frame.meters, row, strict=True)
    ]
    return "\n".join(["time_utc,meter,pulses", *lines, ""])


def gauge_log_of(frame: HourFrame) -> str:
    """A value of every gauge in the middle of each hour, of pressures in kPa and of powers in W."""
    assert frame.gauges is not None
    times = np.datetime64(frame.start_s + HOUR_S // 2, "s") + np.arange(frame.hours) * np.timedelta64(HOUR_S, "s")
    lines = [
        f"{time}Z,{name},{value / (1.0 if name == POWER_NAME else 1000.0):.4f}"
        for time, row in zip(np.datetime_as_string(times), frame.gauges.shown, strict=True)
        for name, value in zip(frame.gauges.names, row, strict=True)
    ]
    return "\n".join(["time_utc,channel,value", *lines, ""])


def loaded(folder: Path, frame: HourFrame, *, text: str = PLANT) -> Path:
    """The rack's plant file in a folder, its database beside it."""
    plant = folder / "gully.toml"
    plant.write_text(text, encoding="utf-8")
    log = folder / "gully.csv.gz"
    log.write_bytes(gzip.compress(log_of(frame).encode(), compresslevel=1))
    gauged: list[str | Path] = []
    if frame.gauges is not None:
        values = folder / "gauges.csv"
        values.write_text(gauge_log_of(frame), encoding="utf-8")
        gauged = ["--gauges", values]
    done = run("load", plant, log, *gauged)
    assert done.exit_code == 0, done.output
    return plant


def commissioned_rack(folder: Path, truth: Truth, *, text: str, days: int, seed: int) -> Path:
    """The plant file of a rack that lives through some days, commissioned, its database beside it."""
    plant = loaded(folder, hours_of(plant_file(text), days=days, seed=seed, truth=truth), text=text)
    done = run("commission", plant)
    assert done.exit_code == 0, done.output
    return plant

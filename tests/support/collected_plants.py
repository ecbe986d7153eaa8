"""Plants for a collector: meters on a port and on topics of a broker, and a manifold that is commissioned already."""

import contextlib
import pathlib
import shutil
import time

import numpy as np

from config.load import load_plant
from daemon.assessing import commission_stored
from daemon.store import writer
from daemon.store.hours import refresh_hours
from daemon.store.merging import MinuteRow
from daemon.store.prepare import prepare_store
from tests.support.long_header import PULSES_PER_LITRE, minute_flows, plant_text

PLANT = """\
[plant]
name = "Skerry shed"
[pump]
curve = [["0 L/h", "4 m"], ["9000 L/h", "0 m"]]
[[run]]
name = "display"
from = "pump"
outlet = "1 m"
path = [{ bore = "35 mm", length = "2 m", roughness = "0.002 mm" }]
"""
SOURCES = """\
[store]
clock_set_file = "{clock}"
[[serial]]
name = "bench"
port = "{port}"
[[mqtt]]
name = "shed"
host = "127.0.0.1"
port = {broker}
"""
METER = '[[meter]]\nname = "branch {name}"\npulses_per_litre = 450\nsource = {{ {source} }}\n'
BY_SERIAL = 'serial = "bench", channel = {number}'
HISTORY_DAYS = 8
"""Of the commissioned plant: a week to commission it by, and a day since."""
BY_MQTT = 'mqtt = "shed", topic = "bench/{number}", pulses = "/pulses", uptime = "/uptime_s"'


def sources_of(channels: int, topics: int) -> list[str]:
    """So many channels of a port and so many topics, as the plant file names a meter's source."""
    sources = [BY_SERIAL.format(number=number) for number in range(1, channels + 1)]
    return sources + [BY_MQTT.format(number=number) for number in range(1, topics + 1)]


def set_sources(folder: pathlib.Path, *, port: pathlib.Path, broker: int) -> str:
    """The part of a plant file that says where readings come from."""
    clock_set = folder / "clock-set"
    clock_set.touch()  # as a machine whose time service has set the clock; rows without a date cost twice
    return SOURCES.format(port=port, broker=broker, clock=clock_set)


def write_plant(folder: pathlib.Path, *, port: pathlib.Path, broker: int, channels: int, topics: int) -> pathlib.Path:
    """A plant file with so many meters on a port and so many on topics."""
    meters = [METER.format(name=name, source=source) for name, source in enumerate(sources_of(channels, topics), 1)]
    plant = folder / "skerry.toml"
    plant.write_text(PLANT + set_sources(folder, port=port, broker=broker) + "".join(meters))
    return plant


def write_commissioned(  # noqa: PLR0913 - what is made, and of what, by name
    folder: pathlib.Path, db: pathlib.Path, *, port: pathlib.Path, broker: int, channels: int, topics: int
) -> tuple[pathlib.Path, list[float]]:
    """A manifold's plant file and what its meters turn, pulses a second; the database holds its days up to now.

    It is made elsewhere and copied: a command keeps the database open as long as its process lives.
    """
    plant, made = folder / "loft.toml", folder / "history.db"
    plant.write_text(
        plant_text(channels + topics, sources_of(channels, topics)) + set_sources(folder, port=port, broker=broker)
    )
    plant_file = load_plant(plant)
    pulses = PULSES_PER_LITRE * minute_flows(plant_file, HISTORY_DAYS)
    counts = np.cumsum(pulses, axis=0).astype(np.int64).tolist()
    first = int(time.time() // 60) - len(counts)
    prepare_store(made)
    with contextlib.closing(writer.open_writer(made)) as connection:
        numbers = writer.meter_ids(connection, [meter.name for meter in plant_file.plant.meters]).values()
        writer.write_minutes(
            connection,
            (
                MinuteRow(minute, number, 0, count, 0, 59_000, 0, None, None, 1, 0)
                for minute, row in enumerate(counts, first)
                for number, count in zip(numbers, row, strict=True)
            ),
        )
        refresh_hours(connection, plant_file.plant.meters)
    commission_stored(plant_file, made, from_s=None, to_s=None, made_s=time.time())
    shutil.copy(made, db)
    return plant, (pulses.mean(axis=0) / 60.0).tolist()

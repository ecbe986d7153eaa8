"""`clearbore collect` as a process, on a plant of one meter on a port and one on a topic."""

import contextlib
import os
import pathlib
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping

from tests.support import databases

MANIFOLD = """\
[pump]
curve = [["0 L/h", "4.2 m"], ["5000 L/h", "3.1 m"], ["9000 L/h", "0.5 m"]]
[[run]]
name = "riser"
from = "pump"
to = "tee"
path = [{ pipe = "1-1/2 in sch 40", length = "1 m" }]
[[run]]
name = "carbon"
from = "tee"
outlet = "20 cm"
path = [{ pipe = "1/2 in sch 40", length = "1 m" }]
meter = "M1"
[[run]]
name = "uv"
from = "tee"
outlet = "20 cm"
path = [{ pipe = "3/4 in sch 40", length = "1 m" }]
meter = "M2"
"""
RUNS = '[plant]\nname = "Slate cove"\n' + MANIFOLD
METERS = """
[[meter]]
name = "M1"
pulses_per_litre = 450
source = {{ serial = "bench", channel = 1 }}
[[meter]]
name = "M2"
pulses_per_litre = 450
source = {{ mqtt = "shed", topic = "rack/2", pulses = "/pulses", uptime = "/uptime_s" }}
[[serial]]
name = "bench"
port = "{port}"
[[mqtt]]
name = "shed"
host = "127.0.0.1"
port = {broker}
user = "reef"
password_file = "secret"
"""


def plant_file(folder: pathlib.Path, *, broker: int = 1, port: str | None = None) -> pathlib.Path:
    """A plant file with one meter on a serial port and one on a topic."""
    (folder / "secret").write_text("anything\n")
    path = folder / "cove.toml"
    path.write_text(RUNS + METERS.format(port=port or folder / "counter", broker=broker))
    return path


class Process:
    """A running `clearbore collect` and its log."""

    def __init__(self, plant: pathlib.Path, *options: str, environment: Mapping[str, str] | None = None) -> None:
        self._log = plant.with_suffix(".log")
        with self._log.open("ab") as log:
            self.popen = subprocess.Popen(
                [sys.executable, "-m", "daemon", "collect", str(plant), *options],
                stderr=log,
                env=os.environ | dict(environment or {}),
            )

    @property
    def log(self) -> str:
        """All that was logged so far."""
        return self._log.read_text()

    def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        """Send a signal and wait; the exit code."""
        self.popen.send_signal(number)
        return self.popen.wait(20)


@contextlib.contextmanager
def collecting(plant: pathlib.Path, *options: str, environment: Mapping[str, str] | None = None) -> Iterator[Process]:
    """Run the command; it is dead afterwards whatever happens."""
    process = Process(plant, *options, environment=environment)
    try:
        yield process
    finally:
        process.popen.kill()
        process.popen.wait(10)


def rows(plant: pathlib.Path, sql: str) -> list[tuple[object, ...]]:
    """What a reader of the plant's database finds."""
    return databases.rows(plant.with_suffix(".db"), sql)

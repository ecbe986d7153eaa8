"""A counter that is simulated, on a wire that is real enough, heard by the collector itself."""

import contextlib
import itertools
import json
import pathlib
import subprocess
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from config.errors import ClearboreError
from daemon import clock, demo_steps
from daemon.rig import Rig

SERIAL_NAME = "bench"
LINE_MS = 250
STOPPING_S = 20.0
BUILT_FACTORS = (1.02, 0.97, 1.03, 0.98, 1.01)  # no plant is built as it is drawn
METER_KEY = "pulses_per_litre"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What the live part needs, all in one folder: a plant file, a database, and the counter's port while it runs."""

    folder: pathlib.Path

    @property
    def plant(self) -> pathlib.Path:
        """The plant file, with a source for each meter."""
        return self.folder / "rack.toml"

    @property
    def db(self) -> pathlib.Path:
        """The database that the collector writes."""
        return self.folder / "rack.db"

    @property
    def port(self) -> pathlib.Path:
        """A link to the counter's terminal, as a by-id name is one to a port."""
        return self.folder.absolute() / "port"


def live_plant_text(text: str, port: pathlib.Path) -> str:
    """The sample plant's text with its meters wired, in their order, to the channels of a counter on `port`."""
    lines = []
    channel = 0
    for line in text.splitlines():
        lines.append(line)
        if line.startswith(METER_KEY):
            channel += 1
            lines.append(f'source = {{ serial = "{SERIAL_NAME}", channel = {channel} }}')
    lines += [
        "",
        "[[serial]]",
        f'name = "{SERIAL_NAME}"',
        f"port = {json.dumps(str(port), ensure_ascii=False)}",
        "baud = 38400",
        "",
    ]
    return "\n".join(lines)


def listen(bench: Bench, *, rates_hz: Mapping[str, float], seconds: float, tell: Callable[[str], None]) -> None:
    """Let the counter run on the bench's port and the collector listen for so many seconds; then both stop.

    `tell` is given the counts, once a second.

    Raises:
        ClearboreError: if the collector fails or does not stop.
    """
    factors = itertools.cycle(BUILT_FACTORS)
    built_hz = [rate * factor for rate, factor in zip(rates_hz.values(), factors, strict=False)]
    words = ("collect", str(bench.plant), "--db", str(bench.db), "--seconds", f"{seconds:g}")
    with Rig(built_hz, period_ms=LINE_MS, link=bench.port) as rig, _collector(words) as collector:
        give_up_s = clock.monotonic_s() + seconds + STOPPING_S
        said = None
        while said is None:
            said = _said(collector)
            tell("counts " + " ".join(f"{meter} {count}" for meter, count in zip(rates_hz, rig.counts, strict=True)))
            if said is None and clock.monotonic_s() > give_up_s:
                raise ClearboreError("the collector did not stop by itself: try `clearbore collect` on its own")
    if collector.returncode != 0:
        raise ClearboreError(f"the collector ended with code {collector.returncode}:\n{said.strip()}")


def _said(collector: subprocess.Popen[str]) -> str | None:
    """What the collector has said, once it has ended; None if it still runs after a second."""
    try:
        return collector.communicate(timeout=1.0)[1]
    except subprocess.TimeoutExpired:
        return None


@contextlib.contextmanager
def _collector(words: tuple[str, ...]) -> Iterator[subprocess.Popen[str]]:
    """The collector as a process, which never outlives the block."""
    process = subprocess.Popen(  # noqa: S603 - our own program, by this interpreter
        demo_steps.command_line(*words),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env=demo_steps.environment(),
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(timeout=STOPPING_S)
            process.kill()
            process.wait()
        if process.stderr:
            process.stderr.close()

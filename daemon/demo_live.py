"""A counter that is simulated, on a wire that is real enough, heard by the collector itself."""

import contextlib
import json
import pathlib
import subprocess
from collections.abc import Iterator, Mapping
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
class Heard:
    """What went over the wire while somebody listened: pulses by meter as the counter sent them."""

    sent_pulses: Mapping[str, int]
    seconds: float


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


def listen(
    plant: pathlib.Path, db: pathlib.Path, port: pathlib.Path, *, rates_hz: Mapping[str, float], seconds: float
) -> Heard:
    """Let the counter run on `port` and the collector listen for so many seconds, then stop both.

    Raises:
        ClearboreError: if the collector fails or does not stop.
    """
    factors = [BUILT_FACTORS[place % len(BUILT_FACTORS)] for place in range(len(rates_hz))]
    built_hz = [rate * factor for rate, factor in zip(rates_hz.values(), factors, strict=True)]
    started_s = clock.monotonic_s()
    with Rig(built_hz, period_ms=LINE_MS, link=port) as rig:
        words = ("collect", str(plant), "--db", str(db), "--seconds", f"{seconds:g}")
        with _collector(words) as collector:
            try:
                _, said = collector.communicate(timeout=seconds + STOPPING_S)
            except subprocess.TimeoutExpired:
                raise ClearboreError("the collector did not stop by itself: see `clearbore collect --help`") from None
        sent = dict(zip(rates_hz, rig.counts, strict=True))
    if collector.returncode != 0:
        raise ClearboreError(f"the collector ended with code {collector.returncode}:\n{said.strip()}")
    return Heard(sent_pulses=sent, seconds=clock.monotonic_s() - started_s)


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

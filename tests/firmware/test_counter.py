"""The reference counter on a simulated microcontroller, heard by the decoder: what is sent is what was counted."""

import pathlib
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass

import pytest

from daemon import wire

HERE = pathlib.Path(__file__).parent

pytestmark = pytest.mark.skipif(
    shutil.which("avr-gcc") is None or shutil.which("cc") is None or not pathlib.Path("/usr/include/simavr").is_dir(),
    reason="the microcontroller's tools are missing (apt-get install gcc gcc-avr avr-libc libsimavr-dev libelf-dev)",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What came over the wire, what garbage was among it, and the pulses sent up to each sentence."""

    sentences: tuple[wire.Sentence, ...]
    garbage: tuple[wire.Garbage, ...]
    sent: tuple[tuple[int, ...], ...]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> pathlib.Path:
    """A folder with the firmware and the bench that runs it, compiled without a warning."""
    folder = tmp_path_factory.mktemp("firmware")
    warnings = ("-Wall", "-Wextra", "-Werror")
    firmware = ("avr-gcc", "-mmcu=atmega328p", "-Os", *warnings, "-o", str(folder / "counter.elf"), "counter.c")
    bench = ("cc", "-O2", *warnings, "-o", str(folder / "bench"), "bench.c", "-lsimavr", "-lelf")
    for command in (firmware, bench):
        subprocess.run(command, cwd=HERE, check=True, capture_output=True, text=True)
    return folder


def run(built: pathlib.Path, *, seconds: int, rates_hz: Sequence[float], bounces: int = 0, reset_at: float = 0) -> Run:
    """Let the firmware count for so many seconds of its own time."""
    words = [str(seconds), str(bounces), str(reset_at), *map(str, rates_hz)]
    done = subprocess.run([built / "bench", built / "counter.elf", *words], check=True, capture_output=True)
    # the simulator's own words about loading the program share the output; they end before the first sentence
    events = wire.Decoder().feed(done.stdout[done.stdout.index(b"$") :])
    return Run(
        sentences=tuple(event for event in events if isinstance(event, wire.Sentence)),
        garbage=tuple(event for event in events if isinstance(event, wire.Garbage)),
        sent=tuple(tuple(map(int, line.split())) for line in done.stderr.decode().splitlines()),
    )


def test_every_pulse_is_counted(built: pathlib.Path) -> None:
    """Over two minutes each sentence is whole and carries exactly the pulses sent until then, on every channel."""
    heard = run(built, seconds=121, rates_hz=(10, 37, 400, 1))

    assert heard.garbage == ()
    assert [item.uptime_ms for item in heard.sentences] == [1000 * second for second in range(1, 121)]
    assert [item.counts for item in heard.sentences] == list(heard.sent)
    assert {item.rejected for item in heard.sentences} == {(0, 0, 0, 0)}


def test_slow_pulses_are_counted(built: pathlib.Path) -> None:
    """Pulses seconds apart are all counted: a clock of edges that wraps within a second would lose some by chance."""
    heard = run(built, seconds=121, rates_hz=(0.5, 0.21, 0.1, 0.9))

    assert [item.counts for item in heard.sentences] == list(heard.sent)
    assert heard.sentences[-1].counts[1] in (24, 25)


def test_bouncing_contacts_are_counted_once(built: pathlib.Path) -> None:
    """Contacts that bounce on closing and on opening count once, and the edges thrown away are told."""
    heard = run(built, seconds=31, rates_hz=(10, 37, 100, 3), bounces=3)

    assert [item.counts for item in heard.sentences] == list(heard.sent)
    assert all(rejected > 0 for rejected in heard.sentences[-1].rejected)


def test_pulses_too_short_are_told(built: pathlib.Path) -> None:
    """Pulses whose high half is shorter than the hold time are thrown away, and the rejected edges reveal it."""
    last = run(built, seconds=6, rates_hz=(10, 1500, 0, 0)).sentences[-1]

    assert last.counts == (50, 0, 0, 0)
    assert last.rejected[1] > 7000


def test_reset(built: pathlib.Path) -> None:
    """After a reset uptime and counts begin anew."""
    heard = run(built, seconds=12, rates_hz=(10, 20, 30, 40), reset_at=5.5)
    uptimes_s = [item.uptime_ms // 1000 for item in heard.sentences]

    assert uptimes_s[:7] == [1, 2, 3, 4, 5, 1, 2]
    assert [item.counts for item in heard.sentences] == list(heard.sent)

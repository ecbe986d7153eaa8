"""A serial port in trouble, through a real pseudo-terminal: pulled out, noise, wrong baud rate, other programs."""

import array
import contextlib
import fcntl
import os
import pathlib
import subprocess
import sys
import termios
import time
import tty
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.rig import Rig
from daemon.wire import Decoder, Event, Reason, encode
from tests.support.port_reading import reading
from tests.support.uart import heard_at
from tests.support.waiting import wait_until

PYTHON = pathlib.Path(sys.executable).name[:15]
"""The interpreter's name as the system shows it."""
TIOCGEXCL = 0x80045440
"""Asks a terminal whether it is closed to others (asm-generic/ioctls.h of Linux)."""

pytestmark = pytest.mark.usefixtures("short_port_waits")


class CountingDecoder(Decoder):
    """A decoder that knows how many bytes all of its kind were fed."""

    fed = 0

    def feed(self, data: bytes) -> list[Event]:
        """Count, and decode."""
        CountingDecoder.fed += len(data)
        return super().feed(data)


def test_unplugged_at_any_byte(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pulled out after any byte of a line, what was whole is read, the torn rest is counted, and the next line is read."""
    monkeypatch.setattr("daemon.sources.serial_port.Decoder", CountingDecoder)
    with reading(rig.port) as reader:
        wait_until(lambda: reader.says("open"))
        rig.send_line()
        wait_until(lambda: reader.counts() == [10])
        for torn in range(1, len(encode(uptime_ms=99_000, counts=[990, 396, 99]))):
            whole, rejected, fed = len(reader.counts()), len(reader.reasons), CountingDecoder.fed
            line = encode(uptime_ms=rig.uptime_ms, counts=rig.counts)
            rig.send_raw(line[:torn])
            wait_until(lambda fed=fed, torn=torn: CountingDecoder.fed == fed + torn)  # type: ignore[misc]
            rig.unplug()
            wait_until(reader.is_down)
            rig.plug()
            wait_until(lambda: reader.says("open"))
            rig.send_line()
            # without its line end, or without the return before it, the sentence is whole: both of its sums are there
            kept = torn >= len(line) - 2
            wait_until(lambda due=whole + 1 + kept: len(reader.counts()) == due)  # type: ignore[misc]
            assert len(reader.reasons) == rejected + (not kept)

    assert reader.counts() == sorted(reader.counts())
    assert set(reader.reasons) == {Reason.NO_FRAME}


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.binary(min_size=1, max_size=30), max_size=4), st.lists(st.integers(1, 60), max_size=4))
def test_noise_and_pauses_anywhere(rig: Rig, noises: list[bytes], cuts: list[int]) -> None:
    """Lines cut by pauses anywhere, glued to noise and to each other, are all read; the noise alone is counted."""
    with reading(rig.port) as reader:
        wait_until(lambda: reader.says("open"))
        lines = [rig.send_line() for _ in range(3)]
        wait_until(lambda: len(reader.counts()) == 3)
        stream = b"".join(noise.replace(b"\n", b" ") + line for noise, line in zip([*noises, b""], lines, strict=False))
        places = sorted({min(cut, len(stream)) for cut in cuts})
        for start, end in zip([0, *places], [*places, len(stream)], strict=True):
            rig.send_raw(stream[start:end])
            time.sleep(0.015)
        sent = min(len(lines), len(noises) + 1)
        wait_until(lambda: len(reader.counts()) == 3 + sent)

    assert reader.counts()[3:] == reader.counts()[:sent]


def test_flood_without_line_end(rig: Rig) -> None:
    """A device that never ends a line is told by its likely cause, and what is held of it stays small."""
    with reading(rig.port) as reader:
        wait_until(lambda: reader.says("open"))
        for _ in range(50):
            rig.send_raw(b"\xf8\x00" * 500)
            time.sleep(0.002)
        wait_until(lambda: reader.says("noise at 38400 baud"))
        rig.send_raw(b"\n")
        wait_until(lambda: rig.send_line() != b"" and reader.says("port open"))

    assert set(reader.reasons) <= {Reason.NO_LINE_END, Reason.NO_FRAME}
    assert [up for up, _ in reader.states] == [True, False, True]


@pytest.mark.parametrize("sent_baud", [9600, 19200, 57600, 115200])
def test_wrong_baud_rate_is_named(rig: Rig, sent_baud: int) -> None:
    """What a receiver at 38400 makes of a counter at another rate is named as such, once, and nothing is read."""
    with reading(rig.port) as reader:
        wait_until(lambda: reader.says("open"))
        for second in range(80):
            line = encode(uptime_ms=1000 * second, counts=[50 * second, 20 * second])
            rig.send_raw(heard_at(line, sent_baud=sent_baud, heard_baud=38400))
        wait_until(
            lambda: reader.says("nothing but noise at 38400 baud: write the baud rate that the counter sends at")
        )

    assert reader.counts() == []
    assert [up for up, _ in reader.states] == [True, False]
    assert reader.reasons


def test_another_device_is_named(rig: Rig) -> None:
    """A device that speaks whole lines of another kind is told as such, and not as a baud rate."""
    with reading(rig.port) as reader:
        wait_until(lambda: reader.says("open"))
        rig.send_raw(b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n" * 8)
        wait_until(lambda: reader.says("no sentence of a pulse counter: is this the right device?"))

    assert set(reader.reasons) == {Reason.NOT_OURS}


def test_damaged_lines_are_named(rig: Rig) -> None:
    """Many damaged lines among good ones are told once, and taken back once the lines are good again."""
    with reading(rig.port) as reader:
        wait_until(lambda: reader.says("open"))
        for _ in range(10):
            line = rig.send_line()
            rig.send_raw(line.replace(b"PCLB", b"PCLC"))
        wait_until(lambda: reader.says("many lines are damaged: check cable"))
        for _ in range(60):
            rig.send_line()
            time.sleep(0.002)
        wait_until(lambda: reader.says("port open"))

    assert [words.split(":")[0] for _, words in reader.states] == ["port open", "many lines are damaged", "port open"]
    assert [up for up, _ in reader.states] == [True, True, True]


THIEF = """
import os, sys, time
port = os.open(sys.argv[1], os.O_RDONLY | os.O_NOCTTY)
print(flush=True)
while True:
    os.read(port, 64)
"""


def test_program_that_steals_bytes_is_named(rig: Rig) -> None:
    """A program that reads the port without asking for it is named with its number, and that once, not at each theft."""
    thief = subprocess.Popen([sys.executable, "-c", THIEF, rig.port], stdout=subprocess.PIPE)
    assert thief.stdout is not None
    thief.stdout.readline()
    try:
        with reading(rig.port) as reader:
            wait_until(lambda: reader.says("port open"))
            words = f"another program reads it too and takes bytes away: {PYTHON} ({thief.pid})"
            wait_until(lambda: rig.send_line() != b"" and reader.says(words), timeout_s=20)
            for _ in range(300):
                rig.send_line()
                time.sleep(0.005)
            assert reader.source.alive
            assert reader.says(words)
            thief.kill()
            thief.wait()
            # what came while the port was opened anew is gone; the count of the next line makes up for it
            wait_until(lambda: rig.send_line() != b"" and reader.counts()[-1:] == [rig.counts[0] - 10])
            wait_until(lambda: rig.send_line() != b"" and reader.says("port open") and not reader.says("another"))
            assert len(reader.states) <= 3
    finally:
        thief.kill()
        thief.wait()
        thief.stdout.close()


HOLDER = """
import serial, sys
port = serial.Serial(sys.argv[1], exclusive=True)
print(flush=True)
sys.stdin.read()
"""


def test_program_that_holds_the_port_is_named(rig: Rig) -> None:
    """A program that has the port for itself is named; once it has ended the port is opened."""
    command = [sys.executable, "-c", HOLDER, rig.port]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        holder.stdout.readline()
        with reading(rig.port) as reader:
            wait_until(lambda: reader.says(f"another program has the port open: {PYTHON} ({holder.pid})"))
            assert holder.stdin is not None
            holder.stdin.close()
            wait_until(lambda: reader.says("port open"))


def test_the_port_is_closed_to_others_while_we_read(rig: Rig) -> None:
    """The terminal refuses further openings (of all but root) while it is read, and no longer afterwards."""
    with terminal(rig.port) as descriptor:
        with reading(rig.port) as reader:
            wait_until(lambda: reader.says("open"))
            assert _exclusive(descriptor)
        assert not _exclusive(descriptor)


def _exclusive(descriptor: int) -> bool:
    """Whether a terminal is closed to others."""
    answer = array.array("i", [0])
    fcntl.ioctl(descriptor, TIOCGEXCL, answer)
    return bool(answer[0])


def test_closing_the_port_does_not_reset_the_board(rig: Rig) -> None:
    """The line that many boards take for a reset is left as it is at close: HUPCL is off."""
    with terminal(rig.port) as descriptor:
        attributes = termios.tcgetattr(descriptor)
        attributes[2] |= termios.HUPCL
        termios.tcsetattr(descriptor, termios.TCSANOW, attributes)
        with reading(rig.port) as reader:
            wait_until(lambda: reader.says("open"))
            assert not termios.tcgetattr(descriptor)[2] & termios.HUPCL


@contextlib.contextmanager
def terminal(port: str) -> Iterator[int]:
    """A terminal opened beside its reader, left as raw as it is."""
    descriptor = os.open(port, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    tty.setraw(descriptor)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def test_several_ports_at_once(tmp_path: pathlib.Path) -> None:
    """Three ports are read at once; one that is pulled out does not hold up the others."""
    with contextlib.ExitStack() as stack:
        rigs = [Rig([10.0 * number], link=tmp_path / f"port{number}") for number in range(1, 4)]
        for rig in rigs:
            rig.plug()
            stack.callback(rig.unplug)
        readers = [stack.enter_context(reading(rig.port)) for rig in rigs]
        for reader in readers:
            wait_until(lambda reader=reader: reader.says("open"))  # type: ignore[misc]
        rigs[1].unplug()
        for _ in range(3):
            for rig in rigs:
                rig.send_line()
        wait_until(lambda: len(readers[0].counts()) == 3 and len(readers[2].counts()) == 3)
        wait_until(readers[1].is_down)

    assert [reader.counts() for reader in readers] == [[10, 20, 30], [], [30, 60, 90]]

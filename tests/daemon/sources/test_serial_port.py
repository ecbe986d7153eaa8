"""A serial port through a real pseudo-terminal: torn lines, noise, unplugging, other programs."""

import pathlib
import time

import pytest

from daemon.rig import Rig
from daemon.wire import Reason, encode_values
from tests.support.port_reading import reading
from tests.support.waiting import wait_until

pytestmark = pytest.mark.usefixtures("short_port_waits")


def test_lines_become_readings(rig: Rig) -> None:
    """Each channel that a meter claims gives a reading with the device's uptime; the third is left alone."""
    with reading(rig.port) as reader:
        wait_until(lambda: reader.says("open"))
        for _ in range(3):
            rig.send_line()
        wait_until(lambda: len(reader.counts()) == 3)

    assert reader.counts() == [10, 20, 30]
    assert reader.counts("M2") == [4, 8, 12]
    assert [item.uptime_ms for item in reader.readings if item.meter == "M2"] == [1000, 2000, 3000]
    assert {item.meter for item in reader.readings} == {"M1", "M2"}


def test_what_waits_at_the_stop_is_read(rig: Rig) -> None:
    """Lines that the kernel holds when the source is told to stop are not lost."""
    with reading(rig.port) as reader:
        wait_until(lambda: reader.says("open"))
        rig.send_line()
        rig.send_line()
        time.sleep(0.05)  # a terminal hands on what was written a moment later

    assert reader.counts() == [10, 20]


def test_torn_lines_and_noise(rig: Rig) -> None:
    """A line that comes in two pieces is whole; noise costs itself and is counted by reason."""
    with reading(rig.port) as reader:
        wait_until(lambda: reader.says("open"))
        line = rig.send_line()
        wait_until(lambda: reader.counts() == [10])
        rig.send_raw(line[:9])
        time.sleep(0.3)
        rig.send_raw(line[9:])
        rig.send_raw(b"\x00\xff noise\r\n" + line.replace(b",10,", b",11,"))
        wait_until(lambda: len(reader.counts()) == 2 and len(reader.reasons) == 2)

    assert reader.counts() == [10, 10]
    assert reader.reasons == [Reason.NO_FRAME, Reason.CHECKSUM]


def test_unplugged_and_plugged_in_again(rig: Rig) -> None:
    """After an unplugging the state says so, and the port is opened again by its path once it is back."""
    with reading(rig.port) as reader:
        wait_until(lambda: reader.says("open"))
        rig.send_line()
        wait_until(lambda: reader.counts() == [10])
        rig.unplug()
        wait_until(reader.is_down)
        for _ in range(5):
            rig.send_line()
        rig.plug()
        wait_until(lambda: reader.says("open"))
        rig.send_line()
        wait_until(lambda: len(reader.counts()) == 2)

    assert reader.counts() == [10, 70]
    ups = [up for up, _ in reader.states]
    assert (ups[0], ups[-1], ups.count(True)) == (True, True, 2)
    assert "unplugged" in reader.states[1][1]


def test_replugging_leaks_no_descriptors(rig: Rig) -> None:
    """Plugging out and in again and again leaves as many open files as before."""
    with reading(rig.port) as reader:
        wait_until(lambda: reader.says("open"))
        before = len(list(pathlib.Path("/proc/self/fd").iterdir()))
        for _ in range(50):
            rig.unplug()
            wait_until(reader.is_down)
            rig.plug()
            wait_until(lambda: reader.says("open"))

        assert len(list(pathlib.Path("/proc/self/fd").iterdir())) == before


def test_a_port_that_is_not_there_is_waited_for(tmp_path: pathlib.Path) -> None:
    """A missing port is told once and opened when it appears."""
    rig = Rig([10.0], link=tmp_path / "counter")
    with reading(str(tmp_path / "counter")) as reader:
        wait_until(lambda: reader.says("no such port"))
        rig.plug()
        wait_until(lambda: reader.says("open"))
        rig.send_line()
        wait_until(lambda: reader.counts() == [10])
    rig.unplug()

    assert [up for up, _ in reader.states] == [False, True]


def test_two_readers_of_one_port(rig: Rig) -> None:
    """A port that another reader holds is refused in words."""
    with reading(rig.port) as first:
        wait_until(lambda: first.says("open"))
        with reading(rig.port) as second:
            wait_until(lambda: second.says("another program has the port open"))


def test_a_file_is_no_port(tmp_path: pathlib.Path) -> None:
    """A plain file in place of a port is told as such."""
    (tmp_path / "file").write_text("")
    with reading(str(tmp_path / "file")) as reader:
        wait_until(lambda: reader.says("no serial port"))


def test_count_beyond_the_meters_width(rig: Rig) -> None:
    """A count that a 16-bit counter cannot have is rejected and does not become a reading."""
    with reading(rig.port, bits=16) as reader:
        wait_until(lambda: reader.says("open"))
        rig.set_rate(1, 70_000.0)
        rig.send_line()
        wait_until(lambda: len(reader.counts("M2")) == 1 and len(reader.reasons) == 1)

    assert reader.counts("M1") == []
    assert reader.reasons == ["count beyond the 16 bits of this meter"]


def test_values_beside_counts_on_one_port(rig: Rig) -> None:
    """Of the channel that a gauge sits on; a value that cannot be is refused, one of nobody's channel or none is passed over."""
    with reading(rig.port) as reader:
        wait_until(lambda: reader.says("port open"))
        rig.send_line()
        for shown in ([7.5, 48.25], [7.5, None], [None, 20_000.0], [1.0], [3.0, 49.0, 2.0]):
            rig.send_raw(encode_values(uptime_ms=1000, values=shown))
        rig.send_line()
        wait_until(lambda: len(reader.shown("mains")) == 2 and len(reader.counts()) == 2)

    assert reader.shown("mains") == [48.25, 49.0]
    assert ("mains: value that cannot be", "channel 2: 20000") in reader.rejected
    assert "a sentence of another kind" not in reader.reasons

"""The simulated counter: the same lines each time, from the other end of a terminal."""

import os
import pathlib

import pytest

from daemon import wire
from daemon.rig import Rig
from tests.support.waiting import wait_until


def sentences(data: bytes) -> list[wire.Sentence]:
    """The sentences in some bytes."""
    return [event for event in wire.Decoder().feed(data) if isinstance(event, wire.Sentence)]


def lines_of(rig: Rig, count: int) -> bytes:
    """So many lines, without waiting for their time."""
    return b"".join(rig.send_line() for _ in range(count))


def test_two_rigs_of_one_kind_send_the_same() -> None:
    """What is sent depends on the number of the line alone."""
    one, other = (Rig([12.5, 3.0], period_ms=500) for _ in range(2))
    assert lines_of(one, 50) == lines_of(other, 50)


def test_counts_follow_the_rates() -> None:
    """Uptime and counts are period and rate times the number of lines; a new rate counts from then on."""
    rig = Rig([10.0, 0.5])
    first = sentences(lines_of(rig, 4))
    rig.set_rate(2, 8.0)
    second = sentences(lines_of(rig, 1))

    assert [(item.uptime_ms, item.counts) for item in first + second] == [
        (1000, (10, 0)),
        (2000, (20, 1)),
        (3000, (30, 1)),
        (4000, (40, 2)),
        (5000, (50, 10)),
    ]
    assert rig.counts == (50, 10)


def test_counters_wrap() -> None:
    """A 16-bit counter starts again at 0 after 65535."""
    rig = Rig([10.0], bits=16, start_counts=[65_530])
    assert sentences(lines_of(rig, 1))[0].counts == (4,)


def test_restart() -> None:
    """After a restart uptime and counts begin anew."""
    rig = Rig([10.0])
    lines_of(rig, 9)
    rig.restart_counter()
    assert [(item.uptime_ms, item.counts) for item in sentences(lines_of(rig, 1))] == [(1000, (10,))]


def test_lines_come_out_of_the_port(tmp_path: pathlib.Path) -> None:
    """Whoever opens the link reads the lines, in their time."""
    got = bytearray()
    with Rig([100.0], period_ms=20, link=tmp_path / "port") as rig:
        port = os.open(rig.port, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)

        def three_lines() -> bool:
            try:
                got.extend(os.read(port, 4096))
            except BlockingIOError:
                return False
            return got.count(b"\n") >= 3

        wait_until(three_lines)
        os.close(port)

    assert [item.counts for item in sentences(bytes(got))][:3] == [(2,), (4,), (6,)]
    assert not (tmp_path / "port").exists()


def test_nobody_reads() -> None:
    """Lines that do not fit into the terminal's buffer are lost and counted; the rig does not hang."""
    rig = Rig([1.0])
    rig.plug()
    lines_of(rig, 2000)
    rig.unplug()

    assert rig.lost_lines > 0


def test_not_plugged_in() -> None:
    """A rig without a terminal has no port to name."""
    with pytest.raises(ValueError, match="not plugged in"):
        _ = Rig([1.0]).port

"""What the machine says of its clock, and how that is put."""

import os
import pathlib

import pytest

from daemon import clock_sign
from daemon.clock_sign import ClockSign, boot_name, read_sign
from daemon.clock_words import clock_state, clock_words


def test_the_file_of_the_time_service(tmp_path: pathlib.Path) -> None:
    """No folder: nobody tells. A folder without the file: the clock is not set. The file: set, and when it changed."""
    path = tmp_path / "timesync" / "synchronized"
    nobody = read_sign(str(path))
    path.parent.mkdir()
    waiting = read_sign(str(path))
    path.touch()
    os.utime(path, ns=(5, 5))

    assert (nobody, waiting) == (ClockSign(told=False, stamp=None), ClockSign(told=True, stamp=None))
    assert read_sign(str(path)) == ClockSign(told=True, stamp=5)


def test_the_boot_has_a_name(monkeypatch: pytest.MonkeyPatch, tmp_path: pathlib.Path) -> None:
    """The same all the time; where the kernel's is hidden, a new one each start, which says less and nothing wrong."""
    named = [boot_name(), boot_name()]
    monkeypatch.setattr(clock_sign, "_BOOT_ID", tmp_path / "hidden")

    assert named[0] == named[1]
    assert boot_name() != boot_name()


@pytest.mark.parametrize(
    ("body", "state", "said"),
    [
        ({}, "unknown", "nothing is known"),
        ({"known": False, "told": True}, "not set", "7 minute rows wait for their date"),
        ({"known": True, "told": True, "ahead_ms": 0}, "set", "set by a time server"),
        ({"known": True, "told": False, "ahead_ms": 0}, "trusted", "taken at its word"),
        ({"known": True, "told": True, "ahead_ms": 3_600_000}, "ahead", "3,600 s behind"),
    ],
)
def test_every_state_has_words(body: dict[str, object], state: str, said: str) -> None:
    """For status: one word for machines, a sentence for people."""
    assert clock_state(body) == state
    assert said in clock_words(body, undated_rows=7)

"""What the tests of sources share: waits that are short enough, and a counter on a terminal."""

import pathlib
from collections.abc import Iterator

import pytest

from daemon.rig import Rig


@pytest.fixture
def short_port_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Waits of a port short enough for a test."""
    monkeypatch.setattr("daemon.sources.serial_port.WAIT_S", 0.1)
    monkeypatch.setattr("daemon.sources.serial_port.GATHER_S", 0.01)
    monkeypatch.setattr("daemon.sources.serial_port.LOOK_AGAIN_S", 0.1)
    monkeypatch.setattr("daemon.sources.backoff.FIRST_S", 0.02)
    monkeypatch.setattr("daemon.sources.backoff.LONGEST_S", 0.03)


@pytest.fixture
def short_broker_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Waits of a broker's topics short enough for a test."""
    monkeypatch.setattr("daemon.sources.mqtt_topic.WAIT_S", 0.1)
    monkeypatch.setattr("daemon.sources.mqtt_topic.GATHER_S", 0.02)
    monkeypatch.setattr("daemon.sources.backoff.FIRST_S", 0.05)
    monkeypatch.setattr("daemon.sources.backoff.LONGEST_S", 0.2)


@pytest.fixture
def rig(tmp_path: pathlib.Path) -> Iterator[Rig]:
    """A rig of three channels that sends a line when told to."""
    rig = Rig([10.0, 4.0, 1.0], link=tmp_path / "counter")
    rig.plug()
    yield rig
    rig.unplug()

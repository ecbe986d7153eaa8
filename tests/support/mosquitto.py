"""A real broker on a free loopback port, in a folder of its own."""

import pathlib
import shutil
import signal
import socket
import subprocess
from collections.abc import Mapping
from typing import Self

import pytest

from tests.support.waiting import wait_until

PROGRAM = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
needs_mosquitto = pytest.mark.skipif(PROGRAM is None, reason="mosquitto is not installed (apt-get install mosquitto)")


def free_port() -> int:
    """A TCP port that nobody has at the moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
        assert isinstance(port, int)
        return port


class Mosquitto:
    """The broker; it keeps its port and what it has saved over stop and start.

    Args:
        folder: for its configuration and its data.
        options: lines of its configuration beside the usual ones.
    """

    def __init__(self, folder: pathlib.Path, options: Mapping[str, str] | None = None) -> None:
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        settings = {
            "listener": f"{self.port} 127.0.0.1",
            "persistence": "true",
            "persistence_location": f"{folder}/",
            "user": "root",
            "allow_anonymous": "true",
        } | dict(options or {})
        self._config.write_text("".join(f"{key} {value}\n" for key, value in settings.items()))
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start and wait until it answers."""
        assert PROGRAM is not None
        self._process = subprocess.Popen(
            [PROGRAM, "-c", str(self._config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        wait_until(self._answers)

    def stop(self) -> None:
        """Stop as the system would at shutdown, so that sessions are saved."""
        if self._process is not None:
            self.thaw()
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def kill(self) -> None:
        """End at once, as in a power cut: what is not saved yet is gone."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None

    def freeze(self) -> None:
        """Stop answering without closing anything, as a machine that hangs."""
        if self._process is not None:
            self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Answer again."""
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

"""Talk to the service manager: the datagram protocol of sd_notify(3) and sd_watchdog_enabled(3)."""

import contextlib
import socket
from collections.abc import Mapping


class ServiceManager:
    """The service manager that started this process, if one did.

    Args:
        environment: normally `os.environ`.
        pid: this process, to tell whether the watchdog means it.

    Attributes:
        watchdog_s: seconds within which the manager wants a sign of life; None if it does not.
    """

    def __init__(self, environment: Mapping[str, str], *, pid: int) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self.watchdog_s = _watchdog_s(environment, pid)

    def notify(self, *lines: str) -> bool:
        """Send lines such as READY=1 or STATUS=text; False if nobody listens. Never raises for a missing listener."""
        if not self._address:
            return False
        message = "\n".join(line.replace("\n", " ") for line in lines).encode()
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.connect(self._address)
            out.sendall(message)
            return True
        return False


def _watchdog_s(environment: Mapping[str, str], pid: int) -> float | None:
    """The watchdog's period, unless it is meant for another process or unreadable."""
    period_us = environment.get("WATCHDOG_USEC", "")
    if not period_us.isdigit() or environment.get("WATCHDOG_PID", str(pid)) != str(pid):
        return None
    return int(period_us) / 1e6 or None

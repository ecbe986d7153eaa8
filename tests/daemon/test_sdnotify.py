"""The service manager's datagrams, against a socket that plays the manager."""

import contextlib
import pathlib
import socket

from daemon.sdnotify import ServiceManager


def test_messages_arrive(tmp_path: pathlib.Path) -> None:
    """Lines go out as one datagram, line breaks inside a line made harmless."""
    address = str(tmp_path / "notify")
    with contextlib.closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as manager:
        manager.bind(address)
        sent = ServiceManager({"NOTIFY_SOCKET": address}, pid=1).notify("READY=1", "STATUS=2 sources\nup")

        assert sent
        assert manager.recv(4096) == b"READY=1\nSTATUS=2 sources up"


def test_abstract_address() -> None:
    """An address that starts with @ is in the abstract name space (sd_notify(3))."""
    with contextlib.closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as manager:
        manager.bind("\0clearbore-test-notify")
        ServiceManager({"NOTIFY_SOCKET": "@clearbore-test-notify"}, pid=1).notify("WATCHDOG=1")

        assert manager.recv(4096) == b"WATCHDOG=1"


def test_nobody_listens() -> None:
    """Without a manager, or with one that is gone, nothing happens and nothing is raised."""
    assert not ServiceManager({}, pid=1).notify("READY=1")
    assert not ServiceManager({"NOTIFY_SOCKET": "/nonexistent/notify"}, pid=1).notify("READY=1")


def test_watchdog_period() -> None:
    """The period is in microseconds and counts only for the process it names (sd_watchdog_enabled(3))."""
    assert ServiceManager({"WATCHDOG_USEC": "30000000"}, pid=5).watchdog_s == 30.0
    assert ServiceManager({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "5"}, pid=5).watchdog_s == 30.0
    assert ServiceManager({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "6"}, pid=5).watchdog_s is None
    assert ServiceManager({}, pid=5).watchdog_s is None
    assert ServiceManager({"WATCHDOG_USEC": "soon"}, pid=5).watchdog_s is None

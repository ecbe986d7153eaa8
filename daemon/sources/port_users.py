"""Which other programs have a port open: two readers of one port steal each other's bytes."""

import os
import pathlib
from collections.abc import Iterator

PROCESSES = pathlib.Path("/proc")
MOST_NAMED = 3


def other_users(port: str) -> tuple[str, ...]:
    """Programs other than this one that have a device open, as `name (process id)`, as far as this user may see.

    Empty where there is no such device, no /proc, or only processes of others that may not be looked into.
    """
    try:
        device = os.stat(port).st_rdev  # noqa: PTH116 - pathlib raises on a loop of links, this does not
    except OSError:
        return ()
    found = (process for process in _processes() if device in _devices(process))
    return tuple(f"{_name(process)} ({process.name})" for process in found)[:MOST_NAMED]


def _processes() -> Iterator[pathlib.Path]:
    """The folders of all processes but this one."""
    try:
        names = os.listdir(PROCESSES)  # noqa: PTH208 - names alone are wanted
    except OSError:
        return
    own = str(os.getpid())
    yield from (PROCESSES / name for name in names if name.isdecimal() and name != own)


def _devices(process: pathlib.Path) -> set[int]:
    """The devices that a process has open; none if it may not be looked into or has ended."""
    found: set[int] = set()
    try:
        with os.scandir(process / "fd") as entries:
            for entry in entries:
                found.add(_device(entry))
    except OSError:
        return found - {0}
    return found - {0}


def _device(entry: os.DirEntry[str]) -> int:
    """The device behind a descriptor; 0 for what is none or is closed by now."""
    try:
        return entry.stat().st_rdev
    except OSError:
        return 0


def _name(process: pathlib.Path) -> str:
    """The program's name as the system shows it, printable."""
    try:
        name = (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        name = ""
    return "".join(mark for mark in name if mark.isprintable()) or "a program"

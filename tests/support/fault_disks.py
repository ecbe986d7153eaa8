"""Disks that can be filled and taken away: a small one in memory, and a card of its own file system in a file."""

import contextlib
import os
import pathlib
import shutil
import subprocess
import tempfile
from collections.abc import Iterator

import pytest

ROOT: tuple[str, ...] = () if os.geteuid() == 0 else ("sudo", "-n")
"""What makes a command run as root."""
MEGABYTE = 1_000_000


def as_root(*command: object, check: bool = True) -> None:
    """Run a command as root."""
    subprocess.run([*ROOT, *map(str, command)], check=check, capture_output=True)


def can_mount() -> bool:
    """Whether this user may mount anything."""
    if ROOT and (shutil.which("sudo") is None or subprocess.run([*ROOT, "true"], check=False).returncode):
        return False
    return (
        shutil.which("mount") is not None
        and shutil.which("mkfs.ext4", path=f"{os.defpath}:/sbin:/usr/sbin") is not None
    )


needs_mount = pytest.mark.skipif(
    not can_mount(), reason="mounting needs root or sudo, mount and mkfs.ext4 (apt-get install mount e2fsprogs)"
)


@contextlib.contextmanager
def small_disk(folder: pathlib.Path, *, megabytes: int) -> Iterator[pathlib.Path]:
    """A file system of so many megabytes in memory."""
    disk = folder / "small disk"
    disk.mkdir()
    as_root("mount", "-t", "tmpfs", "-o", f"size={megabytes}m,uid={os.getuid()},mode=700", "tmpfs", disk)
    try:
        yield disk
    finally:
        as_root("umount", "-l", disk)


@contextlib.contextmanager
def folder_in_memory() -> Iterator[pathlib.Path]:
    """A folder in memory where there is one, for what writes hundreds of megabytes."""
    shared = pathlib.Path("/dev/shm")  # noqa: S108 - a folder of its own below it
    with tempfile.TemporaryDirectory(dir=shared if os.access(shared, os.W_OK) else None) as folder:
        yield pathlib.Path(folder)


class SdCard:
    """A card with a file system of 4 KB blocks, in a file, plugged in at `folder`."""

    def __init__(self, folder: pathlib.Path, *, megabytes: int = 24) -> None:
        self.folder = folder / "card"
        self.folder.mkdir()
        self._image = folder / "card.img"
        with self._image.open("wb") as image:
            image.truncate(megabytes * MEGABYTE)
        path = {**os.environ, "PATH": f"{os.environ.get('PATH', os.defpath)}:/sbin:/usr/sbin"}
        owner = f"root_owner={os.getuid()}:{os.getgid()}"
        subprocess.run(
            ["mkfs.ext4", "-q", "-b", "4096", "-E", owner, self._image], check=True, capture_output=True, env=path
        )

    def plug(self) -> None:
        """Mount it."""
        as_root("mount", "-o", "loop", self._image, self.folder)

    def unplug(self) -> None:
        """Take it away, whoever still has files of it open."""
        as_root("umount", "-l", self.folder, check=False)

    def turn_read_only(self) -> None:
        """What the kernel does with a card that fails: from now on nothing more is written to it."""
        as_root("mount", "-o", "remount,abort", self.folder)


@contextlib.contextmanager
def sd_card(folder: pathlib.Path) -> Iterator[SdCard]:
    """A card that is plugged in, and gone at the end."""
    card = SdCard(folder)
    card.plug()
    try:
        yield card
    finally:
        card.unplug()


def fill(disk: pathlib.Path) -> pathlib.Path:
    """Fill a disk to the last byte.

    Returns:
        The file that does; remove it to have room again.
    """
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(4096))
    return filler

"""What the machine says of its own clock: whether a time server has set it, and which boot this is.

systemd's time service touches a file each time that it has set the clock; another service can be told to make one
(`[store] clock_set_file`). The call that asks the kernel is closed to a hardened service, so it is not used.
"""

import os
import pathlib
from dataclasses import dataclass

from config.time_service import CLOCK_SET_FILE

_BOOT_ID = pathlib.Path("/proc/sys/kernel/random/boot_id")
BOOT_LENGTH = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockSign:
    """What a file says of the clock.

    Attributes:
        told: somebody here tells whether the clock is set: the file's folder exists.
        stamp: when the file was last touched, ns by whatever clock; None while the clock is not set. Only whether it
            changes is of use.
    """

    told: bool
    stamp: int | None


def read_sign(path: str = CLOCK_SET_FILE) -> ClockSign:
    """Look at the file; one that cannot be looked at is not there."""
    try:
        return ClockSign(told=True, stamp=os.stat(path).st_mtime_ns)  # noqa: PTH116 - every two seconds, for years
    except OSError:
        return ClockSign(told=pathlib.Path(path).parent.is_dir(), stamp=None)


def boot_name() -> str:
    """A name of this boot, within which the monotonic clock runs on; where it is hidden, of this process."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()[:BOOT_LENGTH]
    except OSError:
        return os.urandom(BOOT_LENGTH // 2).hex()

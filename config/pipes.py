"""Pipe sizes: what a nominal size means in bore.

PVC pressure pipe is made to ASTM D1785, whose tables give the outside diameter and the least wall of each nominal
size in inches; bore = outside diameter - 2 x wall. The wall is a minimum, so a real bore may be a little smaller:
one per cent of bore is about five per cent of friction.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from config.errors import QuantityError
from config.units import INCH_M, quoted

# Nominal size in -> (outside diameter, wall schedule 40, wall schedule 80), all in inches; ASTM D1785 tables 1 and 2.
_SIZES: Mapping[float, tuple[float, float, float]] = {
    0.375: (0.675, 0.091, 0.126),
    0.5: (0.840, 0.109, 0.147),
    0.75: (1.050, 0.113, 0.154),
    1.0: (1.315, 0.133, 0.179),
    1.25: (1.660, 0.140, 0.191),
    1.5: (1.900, 0.145, 0.200),
    2.0: (2.375, 0.154, 0.218),
    2.5: (2.875, 0.203, 0.276),
    3.0: (3.500, 0.216, 0.300),
}
_NAMES: Mapping[str, float] = {
    "3/8": 0.375,
    "1/2": 0.5,
    "3/4": 0.75,
    "1": 1.0,
    "1-1/4": 1.25,
    "1-1/2": 1.5,
    "2": 2.0,
    "2-1/2": 2.5,
    "3": 3.0,
}
SCHEDULES = (40, 80)
NOMINAL_SIZES = tuple(_NAMES)

PVC_ROUGHNESS_M = 1.5e-6  # drawn tubing and plastic pipe, textbook tables
HOSE_ROUGHNESS_M = 1.0e-5  # smooth rubber and plastic hose, textbook tables

_PIPE = re.compile(
    r"""\s*(?P<size>[0-9]+(?:\.[0-9]+)?|(?:[0-9]+(?:\s+|\s*-\s*))?[0-9]+/[0-9]+)\s*(?:in|inch|"|″|”)?
    \s*,?\s*(?:sch\.?|schedule)\s*(?P<schedule>[0-9]+)\s*""",
    re.VERBOSE | re.IGNORECASE | re.ASCII,
)
PIPE_PATTERN = (
    r"^\s*(?:3/8|1/2|3/4|1|1(?:\s+|\s*-\s*)1/4|1(?:\s+|\s*-\s*)1/2|2|2(?:\s+|\s*-\s*)1/2|3|0?\.375|0\.50?|0\.75|1\.0|"
    r"1\.25|1\.50?|2\.0|2\.50?|3\.0)\s*(?:[iI][nN]|[iI][nN][cC][hH]|[\"″”])?\s*,?\s*"
    r"(?:[sS][cC][hH]\.?|[sS][cC][hH][eE][dD][uU][lL][eE])\s*(?:40|80)\s*$"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PipeSize:
    """A nominal pipe: its name as it is usually written, its bore and its nominal size."""

    name: str
    bore_m: float
    nominal_in: float


def pipe_size(text: object) -> PipeSize:
    """Read a nominal pipe such as "1-1/2 in sch 40".

    Raises:
        QuantityError: for a size or schedule that the table does not hold, saying which ones there are.
    """
    found = _PIPE.fullmatch(text) if isinstance(text, str) else None
    if found is None:
        raise QuantityError(
            f'{quoted(text)} is not a nominal pipe: write size and schedule like "1-1/2 in sch 40", '
            'or give the bore itself, bore = "26.6 mm"; for a hose write hose = "12.7 mm"'
        )
    size_in = _nominal_in(found["size"])
    if size_in not in _SIZES or found["schedule"] not in {"40", "80"}:
        raise QuantityError(
            f"{quoted(text)}: sizes are {', '.join(NOMINAL_SIZES)} in, schedules 40 and 80; "
            'for any other pipe give the bore itself, bore = "26.6 mm"'
        )
    schedule = int(found["schedule"])
    usual = next(name for name, nominal_in in _NAMES.items() if nominal_in == size_in)
    return PipeSize(name=f"{usual} in sch {schedule}", bore_m=bore_of(size_in, schedule), nominal_in=size_in)


def bore_of(nominal_in: float, schedule: int) -> float:
    """Bore of a nominal size, m; `schedule` is 40 or 80."""
    outside_in, wall_40_in, wall_80_in = _SIZES[nominal_in]
    wall_in = wall_40_in if schedule == SCHEDULES[0] else wall_80_in
    return round(outside_in - 2 * wall_in, 3) * INCH_M


def _nominal_in(size: str) -> float:
    """The nominal size in inches, from "1-1/2", "1 1/2", "1.5"; 0 for what is no size."""
    name = "-".join(re.split(r"[\s-]+", size.strip()))
    if name in _NAMES:
        return _NAMES[name]
    return float(name) if "/" not in name else 0.0

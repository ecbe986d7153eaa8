"""What gauges measure: the units that their values may come in, and what no plant of this kind shows."""

from collections.abc import Mapping
from types import MappingProxyType

from config.units import PSI_PA

PRESSURE, POWER = "pressure", "power"
# m is the conventional metre of water (NIST SP 811, appendix B.8, from memory).
PRESSURE_UNITS: Mapping[str, float] = MappingProxyType({"Pa": 1.0, "kPa": 1e3, "bar": 1e5, "psi": PSI_PA, "m": 9806.65})
"""Pascals of each unit."""
POWER_UNITS: Mapping[str, float] = MappingProxyType({"W": 1.0, "kW": 1e3})
"""Watts of each unit."""
UNITS_OF: Mapping[str, Mapping[str, float]] = MappingProxyType({PRESSURE: PRESSURE_UNITS, POWER: POWER_UNITS})
"""What a gauge reads -> its units, each in Pa or W."""
SI_UNITS: Mapping[str, float] = MappingProxyType(dict(PRESSURE_UNITS) | dict(POWER_UNITS))
"""Pa or W of each unit of any gauge."""
PLAUSIBLE: Mapping[str, tuple[float, float]] = MappingProxyType({PRESSURE: (-101_325.0, 2e6), POWER: (0.0, 1e4)})
"""What a gauge reads -> least and most, Pa or W: nothing has less than a vacuum, no plant of this kind more."""

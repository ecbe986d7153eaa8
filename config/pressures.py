"""Units of pressure that a gauge's values may come in."""

from collections.abc import Mapping
from types import MappingProxyType

from config.units import PSI_PA

# m is the conventional metre of water (NIST SP 811, appendix B.8, from memory).
PRESSURE_UNITS: Mapping[str, float] = MappingProxyType({"Pa": 1.0, "kPa": 1e3, "bar": 1e5, "psi": PSI_PA, "m": 9806.65})
"""Pascals of each unit."""

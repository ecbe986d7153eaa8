"""Density and viscosity of fresh and sea water."""

import numpy as np

from analysis.frames import Floats

# Sharqawy, Lienhard, Zubair, Desalination and Water Treatment 16 (2010) 354-380, eq. 8: fresh part by powers of T,
# then the saline part.
_DENSITY_FRESH = (9.9992293295e2, 2.0341179217e-2, -6.1624591598e-3, 2.2614664708e-5, -4.6570659168e-8)
_DENSITY_SALT = (8.0200240891e2, -2.0005183488, 1.6771024982e-2, -3.0600536746e-5)
_DENSITY_SALT_SQUARED = -1.6132224742e-5


def density_kg_m3(temperature_c: float | Floats, salinity_g_per_kg: float | Floats) -> Floats:
    """Density of sea water at one atmosphere, kg/m3.

    Args:
        temperature_c: [...] 0 to 180 degC.
        salinity_g_per_kg: [...] absolute salinity, 0 to 160 g/kg.

    Source: Sharqawy et al. (2010) eq. 8, stated to 0.1 %; within 0.04 % of TEOS-10 in reef water.
    """
    temp = np.asarray(temperature_c, dtype=np.float64)
    salt = np.asarray(salinity_g_per_kg, dtype=np.float64) / 1000.0
    fresh = np.polynomial.polynomial.polyval(temp, _DENSITY_FRESH)
    saline = salt * np.polynomial.polynomial.polyval(temp, _DENSITY_SALT)
    return np.asarray(fresh + saline + _DENSITY_SALT_SQUARED * salt**2 * temp**2, dtype=np.float64)


def dynamic_viscosity_pa_s(temperature_c: float | Floats, salinity_g_per_kg: float | Floats) -> Floats:
    """Dynamic viscosity of sea water at one atmosphere, Pa s.

    Args:
        temperature_c: [...] 0 to 180 degC.
        salinity_g_per_kg: [...] absolute salinity, 0 to 150 g/kg.

    Source: Sharqawy et al. (2010) eq. 22-23, stated to 1.5 %.
    """
    temp = np.asarray(temperature_c, dtype=np.float64)
    salt = np.asarray(salinity_g_per_kg, dtype=np.float64) / 1000.0
    fresh = 4.2844324477e-5 + 1.0 / (1.5700386464e-1 * (temp + 64.992620050) ** 2 - 91.296496657)
    linear = 1.5409136040 + 1.9981117208e-2 * temp - 9.5203865864e-5 * temp**2
    square = 7.9739318223 - 7.5614568881e-2 * temp + 4.7237011074e-4 * temp**2
    return np.asarray(fresh * (1.0 + linear * salt + square * salt**2), dtype=np.float64)


def kinematic_viscosity_m2s(temperature_c: float | Floats, salinity_g_per_kg: float | Floats) -> Floats:
    """Kinematic viscosity of sea water, m2/s: dynamic viscosity over density, each by its function here."""
    dynamic = dynamic_viscosity_pa_s(temperature_c, salinity_g_per_kg)
    return np.asarray(dynamic / density_kg_m3(temperature_c, salinity_g_per_kg), dtype=np.float64)

"""Density and viscosity of fresh and sea water."""

import numpy as np

from analysis.frames import Floats

# One-atmosphere equation of state of sea water, EOS-80 (UNESCO Technical Papers in Marine Science 44, 1983, after
# Millero and Poisson, Deep-Sea Research 28A (1981) 625-629): pure water by powers of T, then the terms in S, S^1.5, S^2.
_DENSITY_FRESH = (999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9)
_DENSITY_SALT = (8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9)
_DENSITY_SALT_ROOT = (-5.72466e-3, 1.0227e-4, -1.6546e-6)
_DENSITY_SALT_SQUARED = 4.8314e-4
_T68_OVER_T90 = 1.00024  # the equation's temperatures are of the scale of 1968, ours of 1990
_PRACTICAL_OVER_ABSOLUTE = 35.0 / 35.16504  # its salinities are practical; reference composition, TEOS-10


def density_kg_m3(temperature_c: float | Floats, salinity_g_per_kg: float | Floats) -> Floats:
    """Density of sea water at one atmosphere, kg/m3.

    Args:
        temperature_c: [...] 0 to 40 degC; up to 60 degC the polynomials are carried on (within 0.3 %).
        salinity_g_per_kg: [...] absolute salinity, 0 to 42 g/kg; carried on up to 150 g/kg likewise.

    Returns:
        [...] density, in the shape that both broadcast to. Nothing is raised: out of range is carried on.

    Source: EOS-80 (UNESCO 44, 1983); within 0.001 % of TEOS-10 in its range.
    """
    temp = np.asarray(temperature_c, dtype=np.float64) * _T68_OVER_T90
    salt = np.asarray(salinity_g_per_kg, dtype=np.float64) * _PRACTICAL_OVER_ABSOLUTE
    polynomial = np.polynomial.polynomial.polyval
    root = np.sqrt(salt) * polynomial(temp, _DENSITY_SALT_ROOT)
    saline = salt * (polynomial(temp, _DENSITY_SALT) + root + _DENSITY_SALT_SQUARED * salt)
    return np.asarray(polynomial(temp, _DENSITY_FRESH) + saline, dtype=np.float64)


def dynamic_viscosity_pa_s(temperature_c: float | Floats, salinity_g_per_kg: float | Floats) -> Floats:
    """Dynamic viscosity of sea water at one atmosphere, Pa s.

    Args:
        temperature_c: [...] 0 to 180 degC.
        salinity_g_per_kg: [...] absolute salinity, 0 to 150 g/kg.

    Returns:
        [...] viscosity, in the shape that both broadcast to. Nothing is raised.

    Source: Sharqawy, Lienhard, Zubair, Desalination and Water Treatment 16 (2010) 354-380, eq. 22-23, stated to 1.5 %.
    """
    temp = np.asarray(temperature_c, dtype=np.float64)
    salt = np.asarray(salinity_g_per_kg, dtype=np.float64) / 1000.0
    fresh = 4.2844324477e-5 + 1.0 / (1.5700386464e-1 * (temp + 64.992620050) ** 2 - 91.296496657)
    linear = 1.5409136040 + 1.9981117208e-2 * temp - 9.5203865864e-5 * temp**2
    square = 7.9739318223 - 7.5614568881e-2 * temp + 4.7237011074e-4 * temp**2
    return np.asarray(fresh * (1.0 + linear * salt + square * salt**2), dtype=np.float64)


def kinematic_viscosity_m2s(temperature_c: float | Floats, salinity_g_per_kg: float | Floats) -> Floats:
    """Kinematic viscosity of sea water at one atmosphere, m2/s.

    Args:
        temperature_c: [...] degC, as for the density.
        salinity_g_per_kg: [...] absolute salinity, g/kg, as for the density.

    Returns:
        [...] viscosity, in the shape that both broadcast to. Nothing is raised.

    Source: dynamic viscosity over density, each by its function here.
    """
    dynamic = dynamic_viscosity_pa_s(temperature_c, salinity_g_per_kg)
    return np.asarray(dynamic / density_kg_m3(temperature_c, salinity_g_per_kg), dtype=np.float64)

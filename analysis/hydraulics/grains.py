"""Grains in water that goes up through them: when a bed lifts, what it costs then, and how fast a grain sinks.

A bed is priced by Ergun's law (see `media`), which holds for one that a sponge keeps in place, or that water passes
downward. One that is free to lift costs no more than its own weight in water.
"""

import math

from analysis.hydraulics.media import STANDARD_GRAVITY_M_S2
from config.plant import MediaBed

_STOKES_BELOW_RE = 0.5
_SINKING_STEPS = 60


def lift_flows_m3s(
    bed: MediaBed, *, grain_kg_m3: float, water_kg_m3: float, viscosity_m2s: float
) -> tuple[float, float]:
    """The range of flow, m3/s, in which a bed that water passes upward begins to lift, by two correlations.

    Args:
        bed: its bore, grain and porosity.
        grain_kg_m3: density of the wet grains, kg/m3.
        water_kg_m3: density of the water, kg/m3, less than that of the grains.
        viscosity_m2s: kinematic viscosity of the water, m2/s.

    Returns:
        The lower and the higher one. Nothing is raised for densities that make sense.

    Source: Wen and Yu, Chemical Engineering Progress Symposium Series 62 (1966) 100-111, and Ergun's law at the weight
    of the bed; both as printed in open lists of formulas.
    """
    excess = grain_kg_m3 / water_kg_m3 - 1.0
    archimedes = bed.grain_m**3 * excess * STANDARD_GRAVITY_M_S2 / viscosity_m2s**2
    wen_yu = math.sqrt(33.7**2 + 0.0408 * archimedes) - 33.7
    square, line = 1.75 / bed.porosity**3, 150.0 * (1.0 - bed.porosity) / bed.porosity**3
    ergun = (math.sqrt(line**2 + 4.0 * square * archimedes) - line) / (2.0 * square)
    per_reynolds = viscosity_m2s / bed.grain_m * math.pi * bed.bore_m**2 / 4.0
    return min(wen_yu, ergun) * per_reynolds, max(wen_yu, ergun) * per_reynolds


def lifted_head_m(bed: MediaBed, *, grain_kg_m3: float, water_kg_m3: float) -> float:
    """Head, m, that a lifted bed costs at any flow: the weight of its grains in water, (1 - e) (rho_g / rho - 1) L.

    Args:
        bed: its depth and porosity at rest.
        grain_kg_m3: density of the wet grains, kg/m3.
        water_kg_m3: density of the water, kg/m3.

    Source: balance of forces, in every text on fluidised beds. Nothing is raised.
    """
    return (1.0 - bed.porosity) * (grain_kg_m3 / water_kg_m3 - 1.0) * bed.depth_m


def grain_reynolds(grain_m: float, velocity_m_s: float, viscosity_m2s: float, *, shape: float = 1.0) -> float:
    """Reynolds number of a grain: shape d v / nu, with its shape factor (1 for a sphere).

    Args:
        grain_m: diameter, m.
        velocity_m_s: against the water, m/s.
        viscosity_m2s: kinematic viscosity of the water, m2/s.
        shape: shape factor, 0..1.

    Source: Davis, Water and Wastewater Engineering (2010), chapter 11. Nothing is raised.
    """
    return shape * grain_m * velocity_m_s / viscosity_m2s


def grain_drag(reynolds: float) -> float:
    """Drag coefficient of a grain: 24 / Re below 0.5, and 24 / Re + 3 / sqrt(Re) + 0.34 from there to 10,000.

    Args:
        reynolds: of the grain, > 0.

    Source: Davis, Water and Wastewater Engineering (2010), chapter 11; ZeroDivisionError at rest.
    """
    if reynolds < _STOKES_BELOW_RE:
        return 24.0 / reynolds
    return 24.0 / reynolds + 3.0 / math.sqrt(reynolds) + 0.34


def sinking_velocity_m_s(
    grain_m: float, *, grain_kg_m3: float, water_kg_m3: float, viscosity_m2s: float, shape: float = 1.0
) -> float:
    """Velocity, m/s, at which a lone grain sinks; water that rises faster carries it away.

    Args:
        grain_m: diameter, m.
        grain_kg_m3: density of the wet grain, kg/m3.
        water_kg_m3: density of the water, kg/m3, less than that of the grain.
        viscosity_m2s: kinematic viscosity of the water, m2/s.
        shape: shape factor, 0..1.

    Source: Newton's law of settling, v^2 = 4 g d (rho_g / rho - 1) / (3 C_D), with the drag above; by bisection, for
    the drag is by parts. Nothing is raised for densities that make sense.
    """
    weight = 4.0 * STANDARD_GRAVITY_M_S2 * grain_m * (grain_kg_m3 / water_kg_m3 - 1.0) / 3.0
    low, high = 1e-9, math.sqrt(weight / 0.34)
    for _ in range(_SINKING_STEPS):
        middle = 0.5 * (low + high)
        drag = grain_drag(grain_reynolds(grain_m, middle, viscosity_m2s, shape=shape))
        low, high = (middle, high) if drag * middle**2 < weight else (low, middle)
    return high

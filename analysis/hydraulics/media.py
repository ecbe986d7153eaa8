"""Head loss of devices and beds, h = a Q + b Q^2."""

import math
from dataclasses import dataclass

import numpy as np

from config.plant import Device, MediaBed

STANDARD_GRAVITY_M_S2 = 9.80665


@dataclass(frozen=True, slots=True, kw_only=True)
class LossCurve:
    """h = (linear + viscous nu) Q + quadratic Q |Q| with Q in m3/s and nu in m2/s.

    Attributes:
        linear_s_m2: a, s/m2. viscous: what of a goes with kinematic viscosity, 1/m4. quadratic_s2_m5: b, s2/m5.
    """

    linear_s_m2: float = 0.0
    viscous_per_m4: float = 0.0
    quadratic_s2_m5: float = 0.0


def device_loss(device: Device) -> LossCurve:
    """Fit a device's a and b to its measured (flow m3/s, head m) points.

    One point fixes b. Two fix both. More, or two that would need a negative coefficient, are fitted by least squares
    with a, b >= 0.

    Args:
        device: with its points.

    Returns:
        Coefficients in s/m2 and s2/m5.

    Source: least squares; the form h = a Q + b Q^2 is that of a bed (Ergun) and of fittings. Two points at one flow are
    refused where the plant file is read.
    """
    flow, head = np.array(device.loss, dtype=np.float64).T
    if flow.size == 1:
        return LossCurve(quadratic_s2_m5=float(head[0] / flow[0] ** 2))
    share = flow / flow.max()
    scaled = np.linalg.lstsq(np.stack([share, share**2], axis=1), head, rcond=None)[0]
    linear, quadratic = scaled[0] / flow.max(), scaled[1] / flow.max() ** 2
    if linear < 0.0:
        return LossCurve(quadratic_s2_m5=float((head @ flow**2) / (flow**2 @ flow**2)))
    if quadratic < 0.0:
        return LossCurve(linear_s_m2=float((head @ flow) / (flow @ flow)))
    return LossCurve(linear_s_m2=float(linear), quadratic_s2_m5=float(quadratic))


def bed_loss(bed: MediaBed, *, gravity_m_s2: float = STANDARD_GRAVITY_M_S2) -> LossCurve:
    """Ergun's law for a packed bed, in head.

    h / L = 150 nu (1-e)^2 u / (g e^3 d^2) + 1.75 (1-e) u^2 / (g e^3 d), u = Q / A. An upflow bed without a retaining
    sponge lifts at tens of litres an hour and then costs less than this.

    Args:
        bed: bore, depth and grain, m; porosity, 0..1.
        gravity_m_s2: gravity.

    Returns:
        Viscous part in 1/m4, quadratic part in s2/m5.

    Source: Ergun, Chemical Engineering Progress 48 (1952) 89-94.
    """
    area_m2 = math.pi * bed.bore_m**2 / 4.0
    solid = 1.0 - bed.porosity
    depth = bed.depth_m / (gravity_m_s2 * bed.porosity**3)
    return LossCurve(
        viscous_per_m4=150.0 * solid**2 * depth / (bed.grain_m**2 * area_m2),
        quadratic_s2_m5=1.75 * solid * depth / (bed.grain_m * area_m2**2),
    )

"""Loss coefficients K of fittings and valves, on the velocity head in the bore that each sits on."""

import math

import numpy as np

from analysis.hydraulics.friction import friction_factor
from config.plant import CheckValveKind, FittingKind, ValveKind

SHUT_DEG = 90.0

# Bores of nominal sizes in the standard wall (ASTM D1785 schedule 40, m), for the fully rough factor by size.
_NOMINAL_BORE_M = {
    0.375: 0.012522,
    0.5: 0.015799,
    0.75: 0.020930,
    1.0: 0.026645,
    1.25: 0.035052,
    1.5: 0.040894,
    2.0: 0.052502,
    2.5: 0.062713,
    3.0: 0.077927,
}

# Crane, Technical Paper 410: K as a multiple of the fully rough factor fT.
_CRANE_MULTIPLE = {
    FittingKind.ELBOW_90: 30.0,
    FittingKind.ELBOW_90_LONG: 14.0,
    FittingKind.ELBOW_45: 16.0,
    FittingKind.TEE_RUN: 20.0,
    FittingKind.TEE_BRANCH: 60.0,
}

# Entrances: Crane TP-410 (sharp 0.5, projecting 0.78) and the HVAC Pump Handbook, Table 3.7 (rounded 0.05).
# Exit: all of the velocity head. Union and coupling: Perry's table of fitting losses.
_CONSTANT_K = {
    FittingKind.ENTRANCE_SHARP: 0.5,
    FittingKind.ENTRANCE_ROUNDED: 0.05,
    FittingKind.ENTRANCE_PROJECTING: 0.78,
    FittingKind.UNION: 0.04,
    FittingKind.COUPLING: 0.04,
    FittingKind.EXIT: 1.0,
}

# Handle's turn from open, degrees -> K. Plug cock row of Perry's table for 5, 10, 20, 40 and 60 degrees; 30 and 50
# are interpolated in ln K. It meets the published ball valve figures: 1/3 closed 5.5, 2/3 closed 200.
_BALL_DEG = (5.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0)
_BALL_K = (0.05, 0.29, 1.56, 5.3, 17.3, 60.0, 206.0)
_BALL_OPEN_MULTIPLE = 3.0  # Crane TP-410, full bore

# Travel toward shut -> K. Perry's table: open 0.17, 3/4 open 0.9, 1/2 open 4.5, 1/4 open 24.
_GATE_DEG = (0.0, 22.5, 45.0, 67.5)
_GATE_K = (0.17, 0.9, 4.5, 24.0)


def rough_factor(bore_m: float, *, nominal_in: float | None = None) -> float:
    """Fully rough friction factor fT of clean steel pipe of a size, which scales Crane's fitting losses.

    It does not change with the material of the pipe. Colebrook at Re = 7.5e6 D with the roughness that reproduces the
    table of Crane TP-410 (fit by C. Bell, documented in the `fluids` library).

    Args:
        bore_m: bore, m; used where no nominal size of the standard table is given.
        nominal_in: nominal pipe size, inches.
    """
    size_m = bore_m if nominal_in is None else _NOMINAL_BORE_M.get(nominal_in, bore_m)
    return float(friction_factor(7.5e6 * size_m, 3.4126825352925e-5 * size_m**-1.0112))


def fitting_k(kind: FittingKind, *, bore_m: float, nominal_in: float | None = None) -> float:
    """K of one fitting.

    Elbows and tees: Crane TP-410 (30, 16, 14, 20 and 60 fT); the others are constants, see the tables above. Published
    values for one fitting differ by a third and more; commissioning takes up what they miss.

    Args:
        kind: what it is.
        bore_m: bore in force, m.
        nominal_in: its nominal size, inches, where known.
    """
    if kind in _CRANE_MULTIPLE:
        return _CRANE_MULTIPLE[kind] * rough_factor(bore_m, nominal_in=nominal_in)
    return _CONSTANT_K[kind]


def valve_k(kind: ValveKind, *, closed_deg: float, bore_m: float, nominal_in: float | None = None) -> float:
    """K of a hand valve by its handle's turn from open; infinite at 90 degrees and beyond.

    ln K is interpolated between the table's points and runs on with the last slope beyond them, where no source is
    known. Two degrees of a ball valve change K by a quarter.

    Args:
        kind: ball or gate valve.
        closed_deg: 0 open to 90 shut.
        bore_m: bore in force, m.
        nominal_in: its nominal size, inches, where known.
    """
    if closed_deg >= SHUT_DEG:
        return math.inf
    if kind is ValveKind.GATE:
        return _log_interpolated(closed_deg, _GATE_DEG, _GATE_K)
    fully_open = _BALL_OPEN_MULTIPLE * rough_factor(bore_m, nominal_in=nominal_in)
    return max(fully_open, _log_interpolated(closed_deg, _BALL_DEG, _BALL_K))


def k_of_kv(kv_m3_h: float, bore_m: float) -> float:
    """K of a valve from its flow coefficient Kv, on the velocity head in a bore.

    Kv is the water, m3/h of 1000 kg/m3, that passes at 1 bar (VDI/VDE 2173). An American Cv is 1.156 Kv.

    Args:
        kv_m3_h: flow coefficient, > 0.
        bore_m: m.

    Source: identity, K = 2 A^2 1e5 / (1000 (Kv / 3600)^2). Nothing is raised; ZeroDivisionError for no Kv.
    """
    area_m2 = np.pi * bore_m**2 / 4.0
    return float(2.0 * area_m2**2 * 1e5 / (1000.0 * (kv_m3_h / 3600.0) ** 2))


def check_valve_k(kind: CheckValveKind, *, bore_m: float, nominal_in: float | None = None) -> float:
    """K of a check valve that is fully lifted.

    Swing: Crane TP-410, 100 fT. Lift: Crane TP-410, 600 fT. Ball: 70, Perry's table; makers of plastic ones state a few
    velocity heads, so a maker's own loss, given as a device, is better.

    Args:
        kind: how it is made.
        bore_m: bore in force, m.
        nominal_in: its nominal size, inches, where known.
    """
    if kind is CheckValveKind.BALL:
        return 70.0
    multiple = 100.0 if kind is CheckValveKind.SWING else 600.0
    return multiple * rough_factor(bore_m, nominal_in=nominal_in)


def _log_interpolated(at: float, points: tuple[float, ...], values: tuple[float, ...]) -> float:
    logs = np.log(values)
    if at > points[-1]:
        slope = (logs[-1] - logs[-2]) / (points[-1] - points[-2])
        return float(np.exp(logs[-1] + slope * (at - points[-1])))
    return float(np.exp(np.interp(at, points, logs)))

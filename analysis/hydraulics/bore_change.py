"""Loss coefficients K where the bore changes, always on the velocity head in the smaller bore."""

import math

# Included angle of a tapered reducer; common practice, no source.
TAPER_DEG = 30.0
# Length of the narrow bore of a hose barb and its friction factor; common practice, no source.
BARB_LENGTH_M = 0.020
BARB_FRICTION_FACTOR = 0.025


def sudden_contraction_k(small_m: float, large_m: float) -> float:
    """K of a sharp-edged step from a large to a small bore, on the small one.

    Args:
        small_m: the smaller bore, m.
        large_m: the larger bore, m.

    Source: Rennels and Hudson, Pipe Flow (2012), sharp-edged contraction.
    """
    beta = small_m / large_m
    jet = 1.0 + 0.622 * (1.0 - 0.215 * beta**2 - 0.785 * beta**5)
    return 0.0696 * (1.0 - beta**5) * jet**2 + (jet - 1.0) ** 2


def sudden_expansion_k(small_m: float, large_m: float) -> float:
    """K of a sharp-edged step from a small to a large bore, on the small one (Borda and Carnot).

    Args:
        small_m: the smaller bore, m.
        large_m: the larger bore, m.
    """
    return float((1.0 - (small_m / large_m) ** 2) ** 2)


def gradual_contraction_k(small_m: float, large_m: float) -> float:
    """K of a tapered reducer of 30 degrees, on the small bore: 0.8 sin(angle/2) (1 - beta^2), Crane TP-410.

    Args:
        small_m: the smaller bore, m.
        large_m: the larger bore, m.
    """
    return 0.8 * math.sin(math.radians(TAPER_DEG / 2.0)) * (1.0 - (small_m / large_m) ** 2)


def gradual_expansion_k(small_m: float, large_m: float) -> float:
    """K of a tapered expansion of 30 degrees, on the small bore: 2.6 sin(angle/2) (1 - beta^2)^2, Crane TP-410.

    Args:
        small_m: the smaller bore, m.
        large_m: the larger bore, m.
    """
    return 2.6 * math.sin(math.radians(TAPER_DEG / 2.0)) * sudden_expansion_k(small_m, large_m)


def bore_change_k(from_m: float, to_m: float, *, gradual: bool) -> float:
    """K of a change of bore in the sense of flow, on the smaller of the two; 0 without a change.

    Args:
        from_m: bore that the water comes from, m.
        to_m: bore that it goes into, m.
        gradual: by a taper of 30 degrees; else by a sharp step.

    Returns:
        K, by the function for it here.
    """
    if from_m == to_m:
        return 0.0
    if from_m > to_m:
        return gradual_contraction_k(to_m, from_m) if gradual else sudden_contraction_k(to_m, from_m)
    return gradual_expansion_k(from_m, to_m) if gradual else sudden_expansion_k(from_m, to_m)


def barb_k(barb_m: float, *, from_m: float, to_m: float) -> float:
    """K of a hose barb on the velocity head in the barb's own bore.

    A sudden contraction into the barb, friction along 20 mm of it, and a sudden expansion out of it; a bore as wide as
    its neighbour's costs nothing on that side.

    Args:
        barb_m: the hole through the barb, m.
        from_m: bore before it, m.
        to_m: bore behind it, m.

    Source: parts by the functions here; length and friction factor are common practice, no source.
    """
    into = sudden_contraction_k(barb_m, from_m) if from_m > barb_m else 0.0
    out_of = sudden_expansion_k(barb_m, to_m) if to_m > barb_m else 0.0
    return into + BARB_FRICTION_FACTOR * BARB_LENGTH_M / barb_m + out_of

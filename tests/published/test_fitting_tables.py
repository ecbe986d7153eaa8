"""Printed tables of fittings, size by size: Crane's multiples, changes of bore, and how far handbooks differ."""

from collections.abc import Mapping

import pytest

from analysis.hydraulics.bore_change import barb_k, sudden_contraction_k, sudden_expansion_k
from analysis.hydraulics.fittings import check_valve_k, fitting_k, k_of_kv, rough_factor, valve_k
from analysis.hydraulics.friction import friction_factor
from config.plant import CheckValveKind, FittingKind, ValveKind

# Bores of schedule 40 (ASTM D1785), inches nominal -> m.
BORES = {0.5: 0.015799, 0.75: 0.020930, 1.0: 0.026645, 1.25: 0.035052, 1.5: 0.040894, 2.0: 0.052502}

# Crane TP-410: fT of clean steel by size, and its multiples 30, 16, 14, 20, 60, 3, 100 and 600 fT, evaluated apart with
# the library `fluids` on the bores above, three digits.
CRANE = {
    0.5: (0.0255, 0.766, 0.409, 0.358, 0.511, 1.53, 0.077, 2.55, 15.3),
    0.75: (0.0237, 0.711, 0.379, 0.332, 0.474, 1.42, 0.071, 2.37, 14.2),
    1.0: (0.0223, 0.668, 0.356, 0.312, 0.445, 1.34, 0.067, 2.23, 13.4),
    1.25: (0.0208, 0.623, 0.332, 0.291, 0.415, 1.25, 0.062, 2.08, 12.5),
    1.5: (0.0200, 0.600, 0.320, 0.280, 0.400, 1.20, 0.060, 2.00, 12.0),
    2.0: (0.0188, 0.565, 0.302, 0.264, 0.377, 1.13, 0.057, 1.88, 11.3),
}

# K of 1/2, 3/4, 1, 1-1/4 and 1-1/2 in by open handbooks. Hooper (Chemical Engineering, 24 August 1981) and Darby (July
# 1999) at Re 15,000; PVC equivalent lengths at Re 20,000 (see below); HVAC Pump Handbook (2006), tables 3.8 to 3.10,
# screwed; an open table of threaded fittings; Perry's table; International Residential Code 2018, table A.2.2.
SIZES = (0.5, 0.75, 1.0, 1.25, 1.5)
HANDBOOKS: Mapping[FittingKind, Mapping[str, tuple[float, ...]]] = {
    FittingKind.ELBOW_90: {
        "Hooper": (1.10, 0.94, 0.83, 0.74, 0.70),
        "Darby": (0.88, 0.80, 0.75, 0.72, 0.69),
        "PVC lengths": (0.76, 0.76, 0.74, 0.86, 0.77),
        "HVAC Pump Handbook": (2.10, 1.70, 1.50, 1.30, 1.20),
        "threaded": (1.5,) * 5,
        "Perry": (0.75,) * 5,
        "Residential Code": (0.90,) * 5,
    },
    FittingKind.ELBOW_45: {
        "Hooper": (0.55, 0.48, 0.42, 0.38, 0.36),
        "Darby": (0.47, 0.43, 0.40, 0.38, 0.37),
        "HVAC Pump Handbook": (0.36, 0.35, 0.33, 0.32, 0.31),
        "threaded": (0.4,) * 5,
        "Perry": (0.35,) * 5,
        "Residential Code": (0.42,) * 5,
    },
    FittingKind.ELBOW_90_LONG: {
        "Hooper": (0.57, 0.50, 0.44, 0.40, 0.38),
        "Darby": (0.49, 0.45, 0.42, 0.40, 0.39),
        "threaded": (0.7,) * 5,
        "Perry": (0.45,) * 5,
    },
    FittingKind.TEE_RUN: {
        "Hooper": (0.27, 0.24, 0.21, 0.19, 0.18),
        "Darby": (0.55, 0.50, 0.47, 0.44, 0.43),
        "HVAC Pump Handbook": (0.90,) * 5,
        "threaded": (0.9,) * 5,
        "Perry": (0.4,) * 5,
    },
    FittingKind.TEE_BRANCH: {
        "Hooper": (1.86, 1.58, 1.40, 1.24, 1.17),
        "Darby": (1.66, 1.50, 1.40, 1.33, 1.28),
        "PVC lengths": (2.01, 1.90, 1.78, 1.58, 1.55),
        "HVAC Pump Handbook": (2.40, 2.10, 1.90, 1.70, 1.60),
        "threaded": (2.0,) * 5,
        "Perry": (1.0,) * 5,
        "Residential Code": (1.80,) * 5,
    },
}
# Crane's long sweep is the least of all tables; every other kind has handbooks on both sides of it.
LEAST_OF_ALL = {FittingKind.ELBOW_90_LONG, FittingKind.ELBOW_90}

# Open tables of PVC fittings: equivalent lengths, ft, by size, and K that they come to at Re 20,000.
EQUIVALENT_FT = {
    "90 elbow": ((1.5, 2.0, 2.5, 3.8, 4.0), (0.76, 0.76, 0.74, 0.86, 0.77)),
    "tee, branch": ((4.0, 5.0, 6.0, 7.0, 8.0), (2.01, 1.90, 1.78, 1.58, 1.55)),
}


@pytest.mark.parametrize("size", CRANE)
def test_multiples_of_the_rough_factor(size: float) -> None:
    """Crane TP-410, chapter 2 and appendix: every multiple of fT that is used, in every size, to three digits."""
    bore_m = BORES[size]
    kinds = (
        FittingKind.ELBOW_90,
        FittingKind.ELBOW_45,
        FittingKind.ELBOW_90_LONG,
        FittingKind.TEE_RUN,
        FittingKind.TEE_BRANCH,
    )

    ours = (
        rough_factor(bore_m),
        *(fitting_k(kind, bore_m=bore_m) for kind in kinds),
        valve_k(ValveKind.BALL, closed_deg=0.0, bore_m=bore_m),
        check_valve_k(CheckValveKind.SWING, bore_m=bore_m),
        check_valve_k(CheckValveKind.LIFT, bore_m=bore_m),
    )

    assert ours == pytest.approx(CRANE[size], rel=5e-3, abs=5e-4)


@pytest.mark.parametrize("kind", HANDBOOKS)
@pytest.mark.parametrize("size", SIZES)
def test_every_fitting_lies_among_the_handbooks(kind: FittingKind, size: float) -> None:
    """K of each size is no more than the highest of seven printed tables, and at most a third below the lowest."""
    column = SIZES.index(size)
    printed = [values[column] for values in HANDBOOKS[kind].values()]

    k = fitting_k(kind, bore_m=BORES[size], nominal_in=size)

    assert k <= max(printed)
    assert k >= min(printed) * (2.0 / 3.0 if kind in LEAST_OF_ALL else 1.0)


@pytest.mark.parametrize("kind", EQUIVALENT_FT)
def test_equivalent_lengths(kind: str) -> None:
    """Open makers' tables of PVC, in feet: with our friction at Re 20,000 they come to the K that was evaluated apart."""
    feet, expected = EQUIVALENT_FT[kind]
    factors = [float(friction_factor(2e4, 1.5e-6 / BORES[size])) for size in SIZES]

    found = [factor * foot * 0.3048 / BORES[size] for factor, foot, size in zip(factors, feet, SIZES, strict=True)]

    assert found == pytest.approx(expected, abs=6e-3)


@pytest.mark.parametrize(
    ("small", "large", "contraction", "expansion"),
    [
        (1.0, 1.5, 0.398, 0.331),
        (0.75, 1.5, 0.490, 0.545),
        (0.75, 1.0, 0.250, 0.147),
        (0.5, 1.0, 0.444, 0.420),
        (0.5, 0.75, 0.288, 0.185),
        (1.0, 1.25, 0.282, 0.178),
    ],
)
def test_sudden_changes_of_bore(small: float, large: float, contraction: float, expansion: float) -> None:
    """Rennels and Hudson's sharp contraction and Borda's expansion on schedule 40 bores, evaluated apart: three decimals."""
    assert sudden_contraction_k(BORES[small], BORES[large]) == pytest.approx(contraction, abs=6e-4)
    assert sudden_expansion_k(BORES[small], BORES[large]) == pytest.approx(expansion, abs=6e-4)


def test_the_widest_barb() -> None:
    """A 20.5 mm barb in 25.4 mm hose, evaluated apart with `fluids`: 0.86 on the hose's velocity (2 %)."""
    k = barb_k(0.0205, from_m=0.0254, to_m=0.0254)

    assert k * (25.4 / 20.5) ** 4 == pytest.approx(0.86, rel=0.02)


def test_valve_by_kv() -> None:
    """Crane TP-410M, example 7-2: Kv 500 m3/h on 154 mm is K 3.6, or 240 bores of pipe at f 0.015 (printed digits)."""
    k = k_of_kv(500.0, 0.154)

    assert k == pytest.approx(3.6, abs=0.05)
    assert k / 0.015 == pytest.approx(240.0, abs=0.5)


@pytest.mark.parametrize(
    ("inside_in", "cv", "printed"),
    [(0.622, 22.0, 0.27), (0.824, 55.0, 0.14), (1.049, 112.0, 0.09), (1.610, 285.0, 0.07)],
)
def test_plastic_ball_valves_by_cv(inside_in: float, cv: float, printed: float) -> None:
    """A plastic-piping design sheet's Cv in four sizes, K by 890 d^4 / Cv^2 (d in inches): two decimals.

    Published K of an open ball valve lie between Crane's 3 fT and these: they differ by a factor of four at 1/2 in.
    """
    assert k_of_kv(cv / 1.156, inside_in * 0.0254) == pytest.approx(printed, abs=6e-3)

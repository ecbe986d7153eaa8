"""Rules of thumb about pipe sizes in a whole manifold: what a fat header and a fat branch bring, beside EPANET."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from analysis.hydraulics.network import Conditions, compile_network, solve_one
from analysis.hydraulics.pump import pump_curve, pump_head
from config.plant import FixedK, Pipe, Plant
from tests.support.epanet_model import EPANET_CONSTANTS, EpanetModel
from tests.support.reference_manifold import LPH_M3S, load_reference

REFERENCE = load_reference().plant()
HALF, THREE_QUARTER, ONE, ONE_AND_A_QUARTER, ONE_AND_A_HALF = 0.015799, 0.020930, 0.026645, 0.035052, 0.040894
HEADER = ("T1", "T2", "T3", "T4", "T5")


def repiped(names: tuple[str, ...], bore_m: float, *, throttle_k: float | None = None) -> Plant:
    """The reference manifold with other pipes in some runs; a throttle of this K keeps its 3/4 in size."""
    runs = []
    for run in REFERENCE.runs:
        path = tuple(replace(part, bore_m=bore_m) if isinstance(part, Pipe) else part for part in run.path)
        path = tuple(
            FixedK(k=part.k * (bore_m / THREE_QUARTER) ** 4)
            if isinstance(part, FixedK) and part.k == throttle_k
            else part
            for part in path
        )
        runs.append(replace(run, path=path) if run.name in names else run)
    return replace(REFERENCE, runs=tuple(runs))


def flows_l_per_h(plant: Plant, *, closed: str = "") -> dict[str, float]:
    """Flow of every run, and beside it EPANET's on the same network, which must be the same to 0.02 %."""
    network = compile_network(plant, constants=EPANET_CONSTANTS)
    shut = np.array([name == closed for name in network.runs])
    ours = solve_one(network, Conditions(closed=shut)).flow_m3s[0] / LPH_M3S
    with EpanetModel(network) as model:
        theirs = model.flows_m3s(closed=[bool(value) for value in shut]) / LPH_M3S
    assert ours == pytest.approx(theirs, rel=2e-4, abs=0.02)
    return dict(zip(network.runs, ours, strict=True))


@pytest.mark.parametrize(("bore_m", "expected"), [(HALF, 911.0), (THREE_QUARTER, 1212.0), (ONE, 1362.0)])
def test_a_branch_in_another_size(bore_m: float, expected: float) -> None:
    """Common practice, no source: the largest pipe up to the valve. Scrubber branch, worked apart: L/h within 1 %."""
    assert flows_l_per_h(repiped(("B4p",), bore_m, throttle_k=12.0))["B4p"] == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(
    ("bore_m", "first_m", "last_m", "hose"),
    [
        (THREE_QUARTER, 1.44, 1.24, 357.0),
        (ONE, 1.64, 1.53, 500.0),
        (ONE_AND_A_QUARTER, 1.75, 1.71, 573.0),
        (ONE_AND_A_HALF, 1.78, 1.76, 590.0),
    ],
)
def test_a_header_in_another_size(bore_m: float, first_m: float, last_m: float, hose: float) -> None:
    """Common practice, no source: a bigger header. Head at both its ends and flow of the last branch, worked apart (1 %)."""
    network = compile_network(repiped(HEADER, bore_m))
    solution = solve_one(network)
    heads = dict(zip(network.nodes, solution.head_m[0], strict=True))

    assert (heads["J1"], heads["J5"]) == pytest.approx((first_m, last_m), abs=0.011)
    assert flows_l_per_h(repiped(HEADER, bore_m))["B5p"] == pytest.approx(hose, rel=0.01)


@pytest.mark.parametrize(
    ("bore_m", "rise_percent"),
    [(THREE_QUARTER, 43.0), (ONE, 23.0), (ONE_AND_A_QUARTER, 16.0), (ONE_AND_A_HALF, 14.0)],
)
def test_a_bigger_header_keeps_branches_apart(bore_m: float, rise_percent: float) -> None:
    """Common practice, no source: what the last branch gains when the first is shut, worked apart (1 per cent point).

    Beyond 1-1/4 in what is left comes through pump and return, and no header mends that.
    """
    plant = repiped(HEADER, bore_m)

    rise = flows_l_per_h(plant, closed="B1p")["B5p"] / flows_l_per_h(plant)["B5p"] - 1.0

    assert 100.0 * rise == pytest.approx(rise_percent, abs=1.0)


def test_head_flow_and_speed_of_a_pump_look_alike() -> None:
    """Head x 0.8, flow x 0.8975 and speed x 0.9437 (worked apart, four digits): branches the same to 0.01 %.

    So flow meters alone cannot say which of them it is.
    """
    network = compile_network(REFERENCE)
    by_head, by_flow, by_speed = (
        solve_one(network, conditions).flow_m3s[0]
        for conditions in (Conditions(head_factor=0.8), Conditions(flow_factor=0.8975), Conditions(speed=0.9437))
    )

    assert by_flow == pytest.approx(by_head, rel=1e-4)
    assert by_speed == pytest.approx(by_head, rel=1e-4)


@pytest.mark.parametrize(
    ("flow_l_per_h", "worn_m", "new_m"),
    [(0, 4.583, 4.600), (3000, 4.150, 4.297), (6000, 3.159, 3.400), (9000, 1.661, 1.915)],
)
def test_a_worn_pump_droops(flow_l_per_h: float, worn_m: float, new_m: float) -> None:
    """Trade-magazine article on wear (2016): clearances leak by Q_L ~ sqrt(H), here 10 % of 6,000 L/h at 3.4 m.

    Heads worked apart, three decimals: the head at no flow hardly falls, so a dead-head test does not tell a worn pump.
    """
    curve = pump_curve(((0.0, 4.60), (6000.0 * LPH_M3S, 3.40), (11000.0 * LPH_M3S, 0.60)))
    flow = flow_l_per_h * LPH_M3S

    def surplus(head_m: float) -> float:
        leak = 600.0 * LPH_M3S * math.sqrt(head_m / 3.4)
        return float(pump_head(curve, np.array([flow + leak]))[0][0]) - head_m

    assert float(pump_head(curve, np.array([flow]))[0][0]) == pytest.approx(new_m, abs=6e-4)
    assert brentq(surplus, 0.0, 5.0) == pytest.approx(worn_m, abs=1.1e-3)

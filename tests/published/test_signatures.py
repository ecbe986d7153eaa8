"""Patterns of every fault over the meters against EPANET 2.3: the cases of epanet_reference.json.

A pattern is a log ratio of flows, faulty over healthy. A case seldom falls on a size that the path is solved at, so
the path is read at the size that the case shows: straight between its sizes, by the log change of the branch that
the fault sits on (a restriction) or of the return (the supply), which leaves the other branches to be compared.
"""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment import FaultKind
from analysis.detection.noise import NoiseModel
from analysis.frames import Floats
from analysis.gauges import columns_of
from analysis.hydraulics.network import Conditions, compile_network, solve_one
from analysis.isolability import isolability_of
from analysis.signatures import AsCommissioned, Fault, Signatures, signatures_of, speed_change
from config.plant import Gauge, Meter, Plant
from tests.support.reference_manifold import load_reference

REFERENCE = load_reference()
# Name of each branch in the cases -> run; in the order of the meters.
BRANCHES = {"return": "RET", "UV": "B1p", "mediaA": "B2p", "mediaB": "B3p", "scrubber": "B4p", "hose": "B5p"}
METERS = tuple(f"M{place}" for place in range(1, 7))
RETURN = 0
CLOGS = [(branch, percent) for branch in BRANCHES for percent in (10, 25, 50)]
# Log change: 0.1 % of a branch's flow, and 3 % of the change for what lies between the sizes solved.
ABSOLUTE, RELATIVE = 0.001, 0.03


def metered_plant() -> Plant:
    """The reference manifold with a meter on every branch."""
    plant = REFERENCE.plant()
    meter_of = dict(zip(BRANCHES.values(), METERS, strict=True))
    return replace(
        plant,
        runs=tuple(replace(run, meter=meter_of.get(run.name)) for run in plant.runs),
        meters=tuple(Meter(name=name, k_points=((0.0, 450.0),)) for name in METERS),
    )


PLANT = metered_plant()
NETWORK = compile_network(PLANT)
STATE = AsCommissioned(resistance=np.ones(len(NETWORK.runs)), head_factor=1.0, speed=1.0)
COLUMNS = [NETWORK.run_index(run) for run in BRANCHES.values()]


@pytest.fixture(scope="module")
def signatures() -> Signatures:
    """All paths, solved once."""
    return signatures_of(PLANT, NETWORK, STATE, METERS)


def engine_change(case: str) -> Floats:
    """[M] log ratio of the branches' flows, a case over the base, by EPANET."""
    flows, base = (REFERENCE.cases[name]["epanet_q"] for name in (case, "base"))
    return np.array([np.log(flows[run] / base[run]) for run in BRANCHES.values()])


def solved_change(conditions: Conditions) -> Floats:
    """[M] the same by our own solver."""
    flow, base = (solve_one(NETWORK, one).flow_m3s[0, COLUMNS] for one in (conditions, Conditions()))
    return np.log(flow / base)


def path_of(signatures: Signatures, kind: FaultKind, subject: str | None) -> Floats:
    """[sizes, M] the fault's patterns."""
    index = signatures.faults.index(Fault(kind=kind, subject=subject))
    patterns: Floats = signatures.hypotheses.patterns[signatures.hypotheses.owner == index]
    return patterns


def read_at(path: Floats, column: int, change: float) -> Floats:
    """[M] the pattern of the size at which one meter changes by `change`; no change at size 0."""
    whole = np.concatenate([np.zeros((1, path.shape[1])), path])
    order = np.argsort(whole[:, column])
    return np.array([np.interp(change, whole[order, column], values[order]) for values in whole.T])


@pytest.mark.parametrize(("branch", "percent"), CLOGS)
def test_restricted_branches_against_epanet(signatures: Signatures, branch: str, percent: int) -> None:
    """Every clog of the reference: how all other branches gain."""
    column = list(BRANCHES).index(branch)
    expected = engine_change(f"clog_{branch}_{percent}")

    pattern = read_at(path_of(signatures, FaultKind.RESTRICTION, BRANCHES[branch]), column, float(expected[column]))

    assert pattern == pytest.approx(expected, abs=ABSOLUTE, rel=RELATIVE)


def test_weak_pump_against_epanet(signatures: Signatures) -> None:
    """Pump head x 0.8: the return loses 13 %, the branches 2.6 to 5.7 %."""
    expected = engine_change("pump_head_0.8")

    pattern = read_at(path_of(signatures, FaultKind.SUPPLY, None), RETURN, float(expected[RETURN]))

    assert pattern == pytest.approx(expected, abs=ABSOLUTE, rel=RELATIVE)


@pytest.mark.parametrize("case", ["pump_flow_0.8"])
def test_worn_pump_against_epanet(signatures: Signatures, case: str) -> None:
    """A pump that lost flow rather than head has the same pattern: the supply is one class."""
    expected = engine_change(case)

    pattern = read_at(path_of(signatures, FaultKind.SUPPLY, None), RETURN, float(expected[RETURN]))

    assert pattern == pytest.approx(expected, abs=ABSOLUTE, rel=RELATIVE)


def test_speed_against_epanet() -> None:
    """70 % speed: the return nearly stops, and is half a per cent less sure there, the branches keep 74 to 89 %."""
    change = speed_change(NETWORK, STATE, 0.7, columns_of(PLANT, NETWORK, METERS))
    expected = engine_change("pump_speed_0.7")

    assert change[1:] == pytest.approx(expected[1:], abs=ABSOLUTE)
    assert change[RETURN] == pytest.approx(expected[RETURN], abs=0.01)


@pytest.mark.parametrize(
    "conditions",
    [
        Conditions(head_factor=0.85),
        Conditions(flow_factor=0.85),
        Conditions(resistance=np.where(np.array(NETWORK.runs) == "RISE", 4.0, 1.0)),
        Conditions(speed=0.92),
    ],
    ids=["impeller, head", "impeller, flow", "trunk", "speed"],
)
def test_impeller_trunk_and_speed_are_one_pattern(signatures: Signatures, conditions: Conditions) -> None:
    """Identity: what lies before the first tee acts on all branches through one head only."""
    expected = solved_change(conditions)

    pattern = read_at(path_of(signatures, FaultKind.SUPPLY, None), RETURN, float(expected[RETURN]))

    assert pattern == pytest.approx(expected, abs=ABSOLUTE)


def test_the_engine_too_has_one_supply_pattern() -> None:
    """The same of EPANET's own flows: head x 0.8 and flow x 0.8 change the branches in one proportion (3 %)."""
    head, flow = engine_change("pump_head_0.8"), engine_change("pump_flow_0.8")

    assert flow[1:] / np.mean(flow[1:]) == pytest.approx(head[1:] / np.mean(head[1:]), rel=0.03)


def test_warmer_water_against_epanet(signatures: Signatures) -> None:
    """25 to 20 degC (viscosity 0.93713e-6 to 1.0508e-6 m2/s): the hose loses 0.7 %, all others 0.1 % or nothing.

    The common part is per kelvin and linear, so it is held to 0.1 % of flow.
    """
    kelvin = -5.0
    change = signatures.common[:, 2] * kelvin

    assert change == pytest.approx(engine_change("temp_20C"), abs=0.001)


def apart(signatures: Signatures, noise: NoiseModel, first: str, second: str) -> float | None:
    """Hours until two faults are told apart."""
    pairs = {frozenset((pair.first, pair.second)): pair.hours for pair in isolability_of(signatures, noise)}
    return pairs[frozenset((first, second))]


@pytest.fixture(scope="module")
def noise(signatures: Signatures) -> NoiseModel:
    """Meters of 1 % wander with a time constant of 12 h: those that the published times hold for."""
    return NoiseModel(
        white_sd=np.full(6, 0.001),
        wander_sd=np.full(6, 0.01),
        wander_tau_h=np.full(6, 12.0),
        common_signature=signatures.common,
        common_sd=np.array([0.0015, 0.006, 0.3]),
        common_tau_h=np.full(3, 12.0),
        common_jump_sd=np.zeros(3),
    )


def test_a_large_branch_is_told_from_its_meter_in_hours_or_days(signatures: Signatures, noise: NoiseModel) -> None:
    """A fifth of 21 % of the pump's flow (computed before for a plant like it, 17 %: 72 h with all branches metered)."""
    hours = apart(signatures, noise, "restriction:B1p", "meter:M2")

    assert hours is not None
    assert hours <= 168


@pytest.mark.parametrize(("run", "meter"), [("B3p", "M4"), ("B5p", "M6")])
def test_a_small_branch_is_not_told_from_its_meter(
    signatures: Signatures, noise: NoiseModel, run: str, meter: str
) -> None:
    """4.6 and 5.8 % of the pump's flow (computed before for such branches on other plants: 120 hours to never)."""
    hours = apart(signatures, noise, f"restriction:{run}", f"meter:{meter}")

    assert hours is None or hours >= 72


def test_restricted_branches_are_told_apart_at_once(signatures: Signatures, noise: NoiseModel) -> None:
    """Which branch is restricted, and whether it is the supply: within hours (computed before: at once)."""
    names = [f"restriction:{run}" for run in BRANCHES.values()] + ["supply:pump"]
    found = {frozenset((pair.first, pair.second)): pair.hours for pair in isolability_of(signatures, noise)}

    for place, first in enumerate(names):
        for second in names[place + 1 :]:
            hours = found[frozenset((first, second))]
            assert hours is not None
            assert hours <= 6


# A gauge at the first tee and one at the second, which feeds the branches.
GAUGED = replace(
    PLANT,
    gauges=tuple(Gauge(name=node, run=run, height_m=0.0, unit="kPa") for node, run in (("J0", "RISE"), ("J1", "T1"))),
)
NODES = ("J0", "J1")


@pytest.fixture(scope="module")
def gauged() -> Signatures:
    """All paths with both gauges."""
    return signatures_of(GAUGED, compile_network(GAUGED), STATE, METERS, NODES)


def engine_heads(case: str) -> Floats:
    """[G] log ratio of the heads at the gauges, a case over the base, by EPANET."""
    heads, base = (REFERENCE.cases[name]["epanet_H"] for name in (case, "base"))
    return np.array([np.log(heads[node] / base[node]) for node in NODES])


@pytest.mark.parametrize(("branch", "percent"), CLOGS)
def test_header_pressure_of_a_clogged_branch_against_epanet(gauged: Signatures, branch: str, percent: int) -> None:
    """Up by 0.2 to 21 %, read at the size at which the branch itself loses as much."""
    case = f"clog_{branch}_{percent}"
    column = list(BRANCHES).index(branch)
    path = path_of(gauged, FaultKind.RESTRICTION, BRANCHES[branch])

    pattern = read_at(path, column, float(engine_change(case)[column]))[len(METERS) :]

    assert pattern == pytest.approx(engine_heads(case), abs=ABSOLUTE, rel=RELATIVE)
    assert (engine_heads(case) > 0).all()


@pytest.mark.parametrize("case", ["pump_head_0.8", "pump_flow_0.8"])
def test_header_pressure_of_a_weaker_pump_against_epanet(gauged: Signatures, case: str) -> None:
    """Down with the flows, whichever way the pump is weaker: so it does not tell what is wrong before the first tee."""
    path = path_of(gauged, FaultKind.SUPPLY, None)

    pattern = read_at(path, RETURN, float(engine_change(case)[RETURN]))[len(METERS) :]

    assert pattern == pytest.approx(engine_heads(case), abs=ABSOLUTE, rel=RELATIVE)


def test_header_pressure_does_not_tell_trunk_from_impeller_or_speed(gauged: Signatures) -> None:
    """Identity: the head at the first tee is what they all act through (computed before: to 0.01 %)."""
    network = compile_network(GAUGED)
    path = path_of(gauged, FaultKind.SUPPLY, None)
    columns = columns_of(GAUGED, network, METERS, NODES)
    base = solve_one(network, Conditions())
    for conditions in (
        Conditions(head_factor=0.85),
        Conditions(resistance=np.where(np.array(network.runs) == "RISE", 4.0, 1.0)),
        Conditions(speed=0.92),
    ):
        changed = solve_one(network, conditions)
        expected = np.log(columns.heads_m(changed) / columns.heads_m(base))[0]
        lost = float(np.log(changed.flow_m3s / base.flow_m3s)[0, COLUMNS[RETURN]])

        assert read_at(path, RETURN, lost)[len(METERS) :] == pytest.approx(expected, abs=ABSOLUTE)


def told_with_gauge(gauged: Signatures, noise: NoiseModel, gauge_sd: float) -> dict[frozenset[str], float | None]:
    """Hours until pairs of faults are told apart with the gauge at the first tee; it wanders by so much."""
    one = replace(GAUGED, gauges=GAUGED.gauges[:1])
    signatures = signatures_of(one, compile_network(one), STATE, METERS, gauged.gauges[:1])
    with_gauge = replace(
        noise,
        white_sd=np.append(noise.white_sd, 0.001),
        wander_sd=np.append(noise.wander_sd, gauge_sd),
        wander_tau_h=np.append(noise.wander_tau_h, 12.0),
        common_signature=signatures.common,
    )
    return {frozenset((pair.first, pair.second)): pair.hours for pair in isolability_of(signatures, with_gauge)}


@pytest.mark.parametrize(("run", "meter"), [("B2p", "M3"), ("B3p", "M4"), ("B5p", "M6")])
def test_header_pressure_tells_a_small_branch_from_its_meter_sooner(
    signatures: Signatures, gauged: Signatures, noise: NoiseModel, run: str, meter: str
) -> None:
    """4.6 to 5.9 % of the pump's flow, a gauge of 0.3 %: at least a quarter sooner, and never at once.

    A computed table for plants like it: a branch of 5 % in 240 hours without header pressure, in 120 with it.
    """
    pair = frozenset((f"restriction:{run}", f"meter:{meter}"))
    without = apart(signatures, noise, f"restriction:{run}", f"meter:{meter}")
    with_it = told_with_gauge(gauged, noise, 0.003)[pair]

    assert without is not None
    assert with_it is not None
    assert 48 <= with_it <= 0.75 * without


def test_a_wrong_gauge_is_told_from_every_fault_of_the_plant(gauged: Signatures, noise: NoiseModel) -> None:
    """Nothing else moves it alone: within a day, where it moves by a fifth."""
    found = told_with_gauge(gauged, noise, 0.003)

    assert all(hours is not None and hours <= 24 for pair, hours in found.items() if "meter:J0" in pair)

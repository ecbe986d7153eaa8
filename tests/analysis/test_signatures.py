"""What every fault does to every meter of the simulated rack: signs, order, and what belongs to what."""

import numpy as np
import pytest

from analysis.assessment import FaultKind
from analysis.frames import Floats
from analysis.gauges import columns_of
from analysis.hydraulics.network import Conditions, compile_network, solve_one
from analysis.signatures import RESTRICTED, SPEED_CHANGE, AsCommissioned, Fault, Signatures, signatures_of, speed_change
from tests.support.simulated_rack import METERS, plant_file

PLANT = plant_file().plant
NETWORK = compile_network(PLANT)
STATE = AsCommissioned(resistance=np.full(len(NETWORK.runs), 1.1), head_factor=0.97, speed=0.95)
OWN = {"return": 0, "uv": 1, "scrubber": 2, "carbon": 3}


@pytest.fixture(scope="module")
def signatures() -> Signatures:
    """All paths, solved once."""
    return signatures_of(PLANT, NETWORK, STATE, METERS)


def patterns_of(signatures: Signatures, kind: FaultKind, subject: str | None) -> tuple[Floats, Floats]:
    """[sizes] and [sizes, M] of one fault."""
    own = signatures.hypotheses.owner == signatures.faults.index(Fault(kind=kind, subject=subject))
    return signatures.hypotheses.size[own], signatures.hypotheses.patterns[own]


def test_every_fault_has_its_place(signatures: Signatures) -> None:
    """A restriction and an opening a branch, one supply, one fault a meter; inner runs have none of their own."""
    expected: set[tuple[FaultKind, str | None]] = {
        (kind, run) for kind in (FaultKind.RESTRICTION, FaultKind.OPENING) for run in OWN
    }
    expected |= {(FaultKind.METER, meter) for meter in METERS} | {(FaultKind.SUPPLY, None)}

    assert {(fault.kind, fault.subject) for fault in signatures.faults} == expected
    assert len(signatures.faults) == len(expected)


@pytest.mark.parametrize("run", OWN)
def test_a_restricted_branch_loses_and_all_others_gain(signatures: Signatures, run: str) -> None:
    """Of every size; and an opened one takes from all others."""
    column = OWN[run]
    for kind, sign in ((FaultKind.RESTRICTION, -1.0), (FaultKind.OPENING, 1.0)):
        sizes, patterns = patterns_of(signatures, kind, run)
        assert (sign * patterns[:, column] > 0).all()
        assert (sign * np.delete(patterns, column, axis=1) < 0).all()
        assert patterns[:, column] == pytest.approx(sizes)


def test_a_weaker_supply_takes_from_all_and_most_from_the_highest(signatures: Signatures) -> None:
    """The return's outlet is the highest, then the scrubber's, the carbon's and the uv's."""
    sizes, patterns = patterns_of(signatures, FaultKind.SUPPLY, None)
    weaker = patterns[sizes < 0]

    assert (weaker < 0).all()
    assert (np.diff(weaker[:, [0, 2, 3, 1]], axis=1) > 0).all()


def test_a_wrong_meter_moves_alone(signatures: Signatures) -> None:
    """And by its whole size, too low or too high."""
    for column, meter in enumerate(METERS):
        sizes, patterns = patterns_of(signatures, FaultKind.METER, meter)
        assert patterns[:, column] == pytest.approx(sizes)
        assert not np.delete(patterns, column, axis=1).any()
        assert sizes.min() < 0 < sizes.max()


def test_sizes_stand_in_order(signatures: Signatures) -> None:
    """Neighbours on a path are neighbours in size, or spans would mean nothing."""
    for index in range(len(signatures.faults)):
        steps = np.diff(signatures.hypotheses.size[signatures.hypotheses.owner == index])
        assert (steps > 0).all() or (steps < 0).all()


def test_size_of_the_supply_is_the_pumps_total(signatures: Signatures) -> None:
    """Log change of all that the pump delivers, which is all that the branches get."""
    sizes, _ = patterns_of(signatures, FaultKind.SUPPLY, None)
    outer = [NETWORK.run_index(run) for run in OWN]
    total = [
        solve_one(
            NETWORK, Conditions(resistance=STATE.resistance, head_factor=STATE.head_factor, speed=STATE.speed * factor)
        ).flow_m3s[0, outer].sum()
        for factor in (1.0, *(1.0 + np.array(SPEED_CHANGE)))
    ]  # fmt: skip

    assert np.log(np.array(total[1:]) / total[0]) == pytest.approx(sizes, abs=1e-6)


def test_loads_are_what_grows_evenly(signatures: Signatures) -> None:
    """Losing a fifth of the flow at an unchanged head takes (1 / 0.8)^2 = 1.5625 times the resistance.

    A supply at 0.9 of its speed lacks 1 - 0.81 = 0.19 of its head (affinity laws); a meter that reads a quarter low has
    lost a quarter.
    """
    hypotheses, every = signatures.hypotheses, signatures.hypotheses.load
    assert every is not None

    def loads(name: str) -> tuple[Floats, Floats]:
        own = hypotheses.owner == hypotheses.names.index(name)
        return hypotheses.size[own], every[own]

    for factor, load in zip(RESTRICTED, loads("restriction:carbon")[1], strict=True):
        assert load == pytest.approx((1.0 - factor) ** -2 - 1.0)
    assert np.interp(0.2, RESTRICTED, loads("restriction:carbon")[1]) == pytest.approx(0.5625, abs=0.05)
    assert np.interp(-0.1, SPEED_CHANGE, loads("supply:pump")[1]) == pytest.approx(0.19, abs=0.01)
    size, load = loads(next(name for name in hypotheses.names if name.startswith("meter:")))
    assert np.interp(np.log(0.75), size[size < 0], load[size < 0]) == pytest.approx(0.25, abs=0.02)


def test_hazards_are_shares(signatures: Signatures) -> None:
    """Hazards and shapes each sum to one; a branch with media clogs more often than one without."""
    hypotheses = signatures.hypotheses
    names = dict(zip(hypotheses.names, hypotheses.hazard, strict=True))

    assert hypotheses.hazard.sum() == pytest.approx(1.0)
    assert hypotheses.shape.sum(axis=1) == pytest.approx(np.ones(len(names)))
    assert names["restriction:carbon"] > names["restriction:uv"]


def test_the_commissioned_state_is_where_patterns_begin() -> None:
    """At the commissioned speed nothing changes; above and below it all does."""
    columns = columns_of(PLANT, NETWORK, METERS)

    assert speed_change(NETWORK, STATE, STATE.speed, columns) == pytest.approx(np.zeros(len(METERS)), abs=1e-9)
    assert (speed_change(NETWORK, STATE, STATE.speed - 0.05, columns) < 0).all()
    assert (speed_change(NETWORK, STATE, STATE.speed + 0.05, columns) > 0).all()


def test_common_parts_are_derivatives(signatures: Signatures) -> None:
    """Speed and sump level by a central difference of the solver, within the curvature of a one-sided one (4 %)."""
    columns = [NETWORK.run_index(run) for run in OWN]

    def log_flow(*, speed: float = STATE.speed, sump_rise_m: float = 0.0) -> Floats:
        conditions = Conditions(
            resistance=STATE.resistance, head_factor=STATE.head_factor, speed=speed, sump_rise_m=sump_rise_m
        )
        logs: Floats = np.log(solve_one(NETWORK, conditions).flow_m3s[0, columns])
        return logs

    by_speed = (log_flow(speed=STATE.speed * 1.002) - log_flow(speed=STATE.speed * 0.998)) / 0.004
    by_level = (log_flow(sump_rise_m=0.002) - log_flow(sump_rise_m=-0.002)) / 0.004

    assert signatures.common[:, 0] == pytest.approx(by_speed, rel=0.04)
    assert signatures.common[:, 1] == pytest.approx(by_level, rel=0.04)


def test_meters_may_stand_in_any_order(signatures: Signatures) -> None:
    """Columns follow the names given."""
    order = [2, 0, 3, 1]
    other = signatures_of(PLANT, NETWORK, STATE, tuple(METERS[place] for place in order))

    for kind, subject in ((FaultKind.RESTRICTION, "uv"), (FaultKind.SUPPLY, None), (FaultKind.METER, "M2")):
        one, another = (patterns_of(each, kind, subject)[1] for each in (signatures, other))
        assert another == pytest.approx(one[:, order], abs=1e-9)


def test_a_meter_without_a_run_is_refused() -> None:
    """Its name is told: it says nothing of the manifold."""
    with pytest.raises(ValueError, match="M9"):
        signatures_of(PLANT, NETWORK, STATE, (*METERS, "M9"))

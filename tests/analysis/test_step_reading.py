"""Steps that the EPANET engine solved, read: the right cause gains, and what physics makes alike is called alike."""

import numpy as np
import pytest

from analysis.assessment import FaultKind, SupplyPart
from analysis.events import Event, EventKind
from analysis.step_causes import causes_of
from analysis.step_reading import StepReading, counts_of
from tests.support.simulated_rack import METERS, plant_file
from tests.support.stepped_rack import (
    CLOGGED,
    HEALTHY,
    LOW,
    SLOW,
    TRUNK,
    UV_SHUT,
    WORN,
    WORN_BOTH,
    Fault,
    candidate,
    flows_m3s,
    read,
    supply,
    total_change,
)

PARTS = {"worn": (WORN, SupplyPart.IMPELLER), "trunk": (TRUNK, SupplyPart.INTAKE), "slow": (SLOW, SupplyPart.SPEED)}


def by_part(reading: StepReading) -> dict[SupplyPart | None, float]:
    """Probability by part of the supply."""
    return {item.cause.part: item.probability for item in reading.causes}


@pytest.mark.parametrize("name", sorted(PARTS))
@pytest.mark.parametrize("reference", [False, True])
def test_the_right_part_of_the_supply_gains(name: str, *, reference: bool) -> None:
    """A third each before; the engine's own affinity laws and friction decide after."""
    fault, part = PARTS[name]

    reading = read(fault, supply(total_change(fault)), reference=reference)

    assert reading.causes[0].cause.part is part
    assert reading.causes[0].probability > 0.5 > reading.causes[0].prior
    assert reading.explained


def test_a_blocked_trunk_is_told_from_a_worn_impeller() -> None:
    """Against an equal step of the healthy rack it is decided, whichever it is."""
    trunk, worn = (read(fault, supply(total_change(fault)), reference=True) for fault in (TRUNK, WORN))

    assert by_part(trunk)[SupplyPart.INTAKE] > 0.95
    assert by_part(worn)[SupplyPart.INTAKE] < 0.01


@pytest.mark.parametrize("fault", [WORN_BOTH, SLOW])
def test_impeller_and_speed_stay_alike(fault: Fault) -> None:
    """An impeller that lacks head and flow runs like a slower one, by the affinity laws: neither is ruled out."""
    reading = read(fault, supply(total_change(fault)), reference=True)

    assert {item.cause.part for item in reading.alike} == {SupplyPart.IMPELLER, SupplyPart.SPEED}


def test_an_equal_healthy_step_sharpens() -> None:
    """The pump's curve and the outlets' heights fall out."""
    causes = supply(total_change(TRUNK))

    with_it, without = read(TRUNK, causes, reference=True), read(TRUNK, causes)

    assert by_part(with_it)[SupplyPart.INTAKE] > by_part(without)[SupplyPart.INTAKE]
    assert (with_it.reference is None, without.reference is None) == (False, True)


@pytest.mark.parametrize("fault", [CLOGGED, LOW])
def test_a_branch_and_its_meter_are_alike(fault: Fault) -> None:
    """A throttled branch keeps its share of the header's head at any speed: the step cannot tell, and says so."""
    causes = causes_of(
        [candidate(FaultKind.RESTRICTION, "carbon", 0.6, -14.0), candidate(FaultKind.METER, "M4", 0.4, -14.0)]
    )

    reading = read(fault, causes)

    assert not reading.tells
    assert reading.explained
    assert [item.probability for item in reading.causes] == pytest.approx([0.6, 0.4], abs=0.15)


def test_a_worn_pump_is_told_from_a_branch() -> None:
    """A step adds to what the pattern says: a restricted sterilizer leaves the return as it was."""
    causes = causes_of(
        [candidate(FaultKind.RESTRICTION, "uv", 0.5, -14.0), candidate(FaultKind.SUPPLY, None, 0.5, total_change(WORN))]
    )

    reading = read(WORN, causes, reference=True)

    assert {item.cause.kind for item in reading.alike} == {FaultKind.SUPPLY}
    assert read(UV_SHUT, causes, reference=True).causes[0].cause.kind is FaultKind.RESTRICTION


def test_a_small_step_says_less() -> None:
    """At 90 % nothing of the supply is decided."""
    reading = read(WORN, supply(total_change(WORN)), during=0.9)

    assert not reading.tells
    assert by_part(reading)[SupplyPart.IMPELLER] < 0.5


def test_a_pump_that_was_not_set_back_is_not_explained() -> None:
    """The journal says 80 %, the pump ran on at full speed: no cause is believed."""
    never = Fault(speed=1 / 0.8)
    causes = supply(-6.0)

    assert not read(never, causes).explained


def test_without_a_finding_the_plant_answers_as_commissioned() -> None:
    """No cause is made up; the step agrees with the healthy plant, and with a fault it does not."""
    assert read(HEALTHY, ()).explained
    assert read(HEALTHY, ()).causes == ()
    assert not read(Fault(head=0.7), (), reference=True).explained


def test_what_is_measured_holds_the_truth() -> None:
    """The interval of every meter around the engine's own ratio, in most of twenty draws."""
    truth = 100.0 * (flows_m3s(HEALTHY, 0.8) / flows_m3s(HEALTHY, 1.0) - 1.0)
    inside = [
        row.low_percent <= wanted <= row.high_percent
        for seed in range(20)
        for row, wanted in zip(read(HEALTHY, (), seed=seed).meters, truth, strict=True)
    ]

    assert 0.85 <= np.mean(inside) <= 1.0


def test_a_branch_that_may_stand_still_does_not_count() -> None:
    """At 65 % the return is near its lift: its meter is left out with the reason, the others speak."""
    reading = read(WORN, supply(total_change(WORN)), during=0.65)
    reasons = {row.meter: row.left_out for row in reading.meters}

    assert "stand still or run backward" in reasons["M1"]
    assert [reasons[meter] for meter in METERS[1:]] == ["", "", ""]


def test_probabilities_add_up_to_one() -> None:
    """Whatever the step says."""
    reading = read(TRUNK, supply(total_change(TRUNK)))

    assert sum(item.probability for item in reading.causes) == pytest.approx(1.0)
    assert min(item.odds_against for item in reading.causes) == 1.0


def test_a_gain_is_no_better_impeller() -> None:
    """More flow than commissioned: an intake that came free, or a higher speed."""
    assert {cause.part for cause in supply(5.0)} == {SupplyPart.INTAKE, SupplyPart.SPEED}


def test_flows_are_by_the_factor_in_force() -> None:
    """A calibration counts from its time on, for its meter alone; the plant file's factor before."""
    meters = plant_file().plant.meters
    pulses, seconds = np.full((3, 4), 600.0), np.full((3, 4), 600.0)
    event = Event(at_s=1000.0, kind=EventKind.CALIBRATION, target="M1", value="12")

    early, late = (counts_of(pulses, seconds, meters, [event], at_s=at_s).flow_m3s[0] for at_s in (999.0, 1000.0))

    assert early * 6e3 == pytest.approx([1.0, 6 / 18, 6 / 24, 6 / 60])
    assert late * 6e3 == pytest.approx([0.5, 6 / 18, 6 / 24, 6 / 60])

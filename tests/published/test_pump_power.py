"""The pump's power against outside sources: the EPANET engine's pump energy, by an efficiency curve, and Crane's example."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment import FaultKind, SupplyPart
from analysis.frames import Floats
from analysis.hydraulics.network import compile_network, solve_one
from analysis.hydraulics.pump_power import PumpPower
from analysis.signatures import AsCommissioned, Signatures, signatures_of
from config.plant import Gauge, GaugeKind
from tests.support.epanet_model import EpanetModel
from tests.support.simulated_rack import METERS, plant_file

NAME = "pump power"
GAUGE = Gauge(name=NAME, run=None, height_m=0.0, unit="W", reads=GaugeKind.POWER)
NETWORK = compile_network(plant_file().plant)
WIDEST_M3S = NETWORK.pump.widest_m3s
STATE = AsCommissioned(resistance=np.ones(len(NETWORK.runs)), head_factor=1.0, speed=1.0)
# The engine keeps the curve of heads to its own three points.
RELATIVE, ABSOLUTE = 0.03, 0.001


def hydraulic_w(flow_m3s: Floats) -> Floats:
    """Definition: rho g Q H, of water of 1000 kg/m3."""
    power: Floats = 1000.0 * 9.80665 * flow_m3s * NETWORK.pump.at(flow_m3s)[0]
    return power


def efficiency() -> Floats:
    """[K, 2] of m3/s and per cent, of an invented radial pump: 45 % at its best, its shaft's power straight in the flow.

    The work that radial vanes do on a litre falls straight with the flow (Euler's equation), and with disc friction the
    power at no flow is some 0.55 of that at the best point (handbooks, from memory).
    """
    flow = np.linspace(0.04, 0.94, 46) * WIDEST_M3S
    share = hydraulic_w(flow) / (0.55 + 0.45 * flow / (0.6 * WIDEST_M3S))
    return np.stack([flow, 45.0 * share / share.max()], axis=1)


EFFICIENCY_POINTS = efficiency()


def drawn_points() -> tuple[tuple[float, float], ...]:
    """What a keeper's figures would be: rho g Q H over the efficiency, at many flows."""
    flow = np.linspace(0.2, 0.9, 29) * WIDEST_M3S
    share = np.interp(flow, *EFFICIENCY_POINTS.T) / 100.0
    return tuple(zip(flow.tolist(), (hydraulic_w(flow) / share).tolist(), strict=True))


def signatures(points: tuple[tuple[float, float], ...]) -> Signatures:
    """Of the rack with a gauge of its pump's power."""
    plant = plant_file().plant
    plant = replace(plant, pump=replace(plant.pump, power=points), gauges=(GAUGE,))
    return signatures_of(plant, compile_network(plant), STATE, METERS, (NAME,))


def engine_changes(*, speed: float = 1.0, run: str | None = None, factor: float = 1.0) -> tuple[float, float]:
    """By the engine: log change of the pump's flow and power at a speed, or with a further loss in a run."""
    added = np.zeros(len(NETWORK.runs))
    if run is not None:
        place = NETWORK.run_index(run)
        solution = solve_one(NETWORK)
        added[place] = (factor - 1.0) * 0.3 * solution.pump_head_m[0] / solution.flow_m3s[0, place] ** 2
    riser = NETWORK.run_index("riser")
    with EpanetModel(NETWORK) as model:
        model.set_efficiency(EFFICIENCY_POINTS)
        before, power = model.flows_m3s()[riser], model.power_w
        after = model.flows_m3s(speed=speed, added_k=added.tolist())[riser]
        return float(np.log(after / before)), float(np.log(model.power_w / power))


def path(found: Signatures, kind: FaultKind, subject: str | None, part: SupplyPart | None = None) -> tuple[Floats, ...]:
    """Sizes of one fault, the power's change at each, and its doubt."""
    index = next(
        place
        for place, fault in enumerate(found.faults)
        if (fault.kind, fault.subject, fault.part) == (kind, subject, part)
    )
    own = found.hypotheses.owner == index
    assert found.hypotheses.doubt is not None
    return found.hypotheses.size[own], found.hypotheses.patterns[own, -1], found.hypotheses.doubt[own, -1]


def pump_size(found: Signatures, part: SupplyPart, flow_change: float) -> tuple[float, float]:
    """The power's change, and its doubt, of a part of the supply that changes the whole flow by so much."""
    sizes, change, doubt = path(found, FaultKind.SUPPLY, None, part)
    order = np.argsort(sizes)
    return tuple(float(np.interp(flow_change, sizes[order], side[order])) for side in (change, doubt))  # type: ignore[return-value]


def test_the_engine_takes_power_as_the_definition_says() -> None:
    """Identity: rho g Q H / efficiency, so that the points here are what the engine has; its water has 998 kg/m3 or so."""
    with EpanetModel(NETWORK) as model:
        model.set_efficiency(EFFICIENCY_POINTS)
        flow = model.flows_m3s()[NETWORK.run_index("riser")]
        share = np.interp(flow, *EFFICIENCY_POINTS.T) / 100.0

        assert model.power_w == pytest.approx(float(hydraulic_w(flow) / share), rel=0.01)


@pytest.mark.parametrize("run", ["return", "uv", "scrubber", "riser"])
@pytest.mark.parametrize("factor", [1.5, 3.0])
def test_power_follows_the_flow_as_the_engine_has_it(run: str, factor: float) -> None:
    """A restriction anywhere, of a branch or the trunk, moves the pump along its curve."""
    flow, power = engine_changes(run=run, factor=factor)
    base = solve_one(NETWORK).pump_flow_m3s
    drawn = PumpPower(points=drawn_points(), duty_m3s=float(base[0]), duty_speed=1.0)

    change, sd = drawn.log_change(base * np.exp(flow), 1.0)

    assert flow < 0
    assert change[0] == pytest.approx(power, rel=RELATIVE, abs=ABSOLUTE)
    assert sd[0] == pytest.approx(0.15 * abs(change[0]))


@pytest.mark.parametrize("speed", [0.85, 0.9, 0.95, 1.05])
def test_power_at_another_speed_as_the_engine_has_it(speed: float) -> None:
    """P ~ n^3 along the points that go with n.

    The engine takes the efficiency e down besides at lower speeds, to 100 - (100 - e) / n^0.1 per cent (Sarbu and Borza,
    as its manual has it), which is taken out here; it lies within what the law is doubted by.
    """
    flow, power = engine_changes(speed=speed)
    full = solve_one(NETWORK).pump_flow_m3s[0] * np.exp(flow) / speed
    share = float(np.interp(full, *EFFICIENCY_POINTS.T))
    taken = float(np.log((100.0 - (100.0 - share) / speed**0.1) / share))

    change, doubt = pump_size(signatures(drawn_points()), SupplyPart.SPEED, flow)

    assert change == pytest.approx(power + taken, rel=RELATIVE)
    assert change == pytest.approx(3.0 * np.log(speed), rel=0.25)
    assert abs(change - power) < doubt


def test_power_of_a_clogged_trunk_as_the_engine_has_it() -> None:
    """The pump stays on its curve: its flow goes down, and its power with it."""
    flow, power = engine_changes(run="riser", factor=2.0)

    change, doubt = pump_size(signatures(drawn_points()), SupplyPart.INTAKE, flow)

    assert change == pytest.approx(power, rel=RELATIVE, abs=ABSOLUTE)
    assert doubt < 0.2 * abs(change)


def test_affinity_of_power() -> None:
    """Crane TP-410 example 7.33: 17.5 hp at 400 gal/min and 3500 rpm, 2.0 hp at 194 gal/min and 1700 rpm."""
    drawn = PumpPower(points=((0.0, 10.0), (500.0, 19.375)), duty_m3s=400.0, duty_speed=1.0)

    change, _ = drawn.log_change(np.array([400.0 * 1700.0 / 3500.0]), 1700.0 / 3500.0)

    assert 17.5 * float(np.exp(change[0])) == pytest.approx(2.0, abs=0.05)


def test_without_figures_the_slope_is_in_doubt() -> None:
    """What the engine has of this pump lies within two standard deviations of what is thought of any pump."""
    for run, factor in (("return", 3.0), ("uv", 3.0), ("riser", 2.0)):
        flow, power = engine_changes(run=run, factor=factor)
        change, sd = PumpPower(points=(), duty_m3s=1.0, duty_speed=1.0).log_change(np.array([np.exp(flow)]), 1.0)

        assert abs(change[0] - power) < 2.0 * sd[0]
        assert sd[0] > 0.3 * abs(change[0])


def test_parts_of_the_supply_do_the_same_to_every_flow_and_not_to_the_power() -> None:
    """At the same loss of flow a slower pump draws least, one behind a blocked intake most, and a worn one may be anywhere.

    The work that the vanes do bounds a worn impeller: the spread holds an obstacle and a lower speed within two
    standard deviations, since both are ways in which one wears.
    """
    found = signatures(drawn_points())
    patterns = {}
    for part in SupplyPart:
        own = found.hypotheses.owner == [fault.part for fault in found.faults].index(part)
        loss = own & (found.hypotheses.size < 0)
        patterns[part] = found.hypotheses.patterns[loss, :-1]
    assert patterns[SupplyPart.INTAKE] == pytest.approx(patterns[SupplyPart.SPEED], abs=1e-12)
    assert patterns[SupplyPart.IMPELLER] == pytest.approx(patterns[SupplyPart.SPEED], abs=1e-12)

    change = {part: pump_size(found, part, -0.1) for part in SupplyPart}
    (worn, spread), (slow, _), (shut, _) = (
        change[part] for part in (SupplyPart.IMPELLER, SupplyPart.SPEED, SupplyPart.INTAKE)
    )

    assert slow < worn < shut < 0
    assert worn + spread == pytest.approx(shut, abs=0.3 * spread)
    assert worn - 2.0 * spread < slow

"""Steps of the pump's speed against outside sources: the EPANET engine (owa-epanet), and the affinity laws."""

import numpy as np
import pytest

from analysis.assessment import FaultKind, SupplyPart
from analysis.hydraulics.network import compile_network
from analysis.signatures import AsCommissioned
from analysis.step_causes import MODEL_SHARE, Cause, Found, forecast_step
from config.parse import parse_plant
from tests.support.simulated_rack import METERS, plant_file
from tests.support.stepped_rack import CLOGGED, HEALTHY, LOW, SLOW, TRUNK, UV_SHUT, Fault, flows_m3s, total_change

ENGINE_AGREES = 0.003
"""As far as the flows of the two may differ near the pump's static limit, where gravity alone gives 0.17 %."""

LEVEL = """\
[plant]
name = "Flat ledge"
[pump]
curve = [["0 L/h", "4.0 m"], ["4000 L/h", "3.0 m"], ["8000 L/h", "0.5 m"]]
[[run]]
name = "trunk"
from = "pump"
to = "tee"
path = [{ bore = "40 mm", length = "1 mm", roughness = "0.0015 mm" }, { K = 6 }]
[[run]]
name = "left"
from = "tee"
outlet = "0 m"
path = [{ bore = "20 mm", length = "1 mm", roughness = "0.0015 mm" }, { K = 8 }]
meter = "A"
[[run]]
name = "right"
from = "tee"
outlet = "0 m"
path = [{ bore = "15 mm", length = "1 mm", roughness = "0.0015 mm" }, { K = 12 }]
meter = "B"
[[meter]]
name = "A"
pulses_per_litre = 30
[[meter]]
name = "B"
pulses_per_litre = 60
"""


def as_built(text: str | None = None) -> Found:
    """The rack (or another plant) as its file says."""
    plant = plant_file().plant if text is None else parse_plant(text, file="ledge.toml").plant
    network = compile_network(plant)
    meters = METERS if text is None else ("A", "B")
    names = [run.name for run in map(plant.run_of_meter, meters) if run is not None]
    state = AsCommissioned(resistance=np.ones(len(network.runs)), head_factor=1.0, speed=1.0)
    return Found(
        network=network,
        state=state,
        head_log_sd=0.05,
        meters=meters,
        column=tuple(network.run_index(name) for name in names),
    )


def cause(kind: FaultKind, subject: str | None, percent: float, part: SupplyPart | None = None) -> Cause:
    """A cause of a known size."""
    return Cause(kind=kind, subject=subject, part=part, size=float(np.log1p(percent / 100.0)), probability=1.0)


def branch_change(fault: Fault, place: int) -> float:
    """Change of one metered run's flow, per cent."""
    return float(100.0 * (flows_m3s(fault, 1.0)[place] / flows_m3s(HEALTHY, 1.0)[place] - 1.0))


CASES = {
    "healthy": (HEALTHY, None),
    "trunk": (TRUNK, cause(FaultKind.SUPPLY, None, total_change(TRUNK), SupplyPart.INTAKE)),
    "slow": (SLOW, cause(FaultKind.SUPPLY, None, total_change(SLOW), SupplyPart.SPEED)),
    # The same wear as is thought of: head by c, flow by the fourth root of c.
    "worn": (
        Fault(head=0.87, flow=0.87**0.25),
        cause(FaultKind.SUPPLY, None, total_change(Fault(head=0.87, flow=0.87**0.25)), SupplyPart.IMPELLER),
    ),
    "uv": (UV_SHUT, cause(FaultKind.RESTRICTION, "uv", branch_change(UV_SHUT, 1))),
    "meter": (LOW, cause(FaultKind.METER, "M4", -15.0)),
}


@pytest.mark.parametrize("name", sorted(CASES))
@pytest.mark.parametrize("speed", [0.9, 0.8, 0.75])
def test_the_engine_gives_the_same_step(name: str, speed: float) -> None:
    """Of every meter, the ratio of its flow during to before, from the fault's size at full speed alone."""
    fault, thought = CASES[name]

    told = forecast_step(as_built(), thought, before=1.0, during=speed)

    by_engine = np.log(flows_m3s(fault, speed) / flows_m3s(fault, 1.0))
    assert told.log_ratio == pytest.approx(by_engine, abs=ENGINE_AGREES)


def test_a_valve_and_clogged_media_differ_by_what_is_allowed_for() -> None:
    """The engine shuts the carbon's valve, which costs Q^2; we clog its media, which cost Q as well."""
    clogged = cause(FaultKind.RESTRICTION, "carbon", branch_change(CLOGGED, 3))

    told = forecast_step(as_built(), clogged, before=1.0, during=0.8)

    by_engine = np.log(flows_m3s(CLOGGED, 0.8) / flows_m3s(CLOGGED, 1.0))
    assert np.abs(told.log_ratio - by_engine).max() <= 2 * MODEL_SHARE * abs(by_engine[3])


@pytest.mark.parametrize("part", list(SupplyPart))
def test_without_lift_no_step_tells_anything(part: SupplyPart) -> None:
    """All outlets at the sump's level and every loss as the square of the flow: flows go as the speed, Q ~ n.

    Affinity laws, Crane TP-410 example 7.33; the healthy pump and each fault of the supply give the same ratio.
    """
    worn = cause(FaultKind.SUPPLY, None, -12.0, part)

    for thought in (None, worn):
        told = forecast_step(as_built(LEVEL), thought, before=1.0, during=0.7)
        assert told.log_ratio == pytest.approx(np.full(2, np.log(0.7)), abs=2e-3)


def test_a_return_below_its_lift_runs_backward() -> None:
    """At 55 % the header's head is below the display, and the return turns round; its meter would count that."""
    told = forecast_step(as_built(), None, before=1.0, during=0.55)

    assert told.share[as_built().column[0]] <= 0.0

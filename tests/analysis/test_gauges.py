"""A gauge at the header of the simulated rack: as a reading, in commissioning, and in what is said of faults."""

import functools
from dataclasses import replace

import gsw
import numpy as np
import pytest

from analysis.assessment import Assessment, FaultKind
from analysis.baseline import Baseline
from analysis.baseline_text import from_json, to_json
from analysis.frames import GaugeHours, HourFrame
from analysis.gauges import columns_of, head_of, usable_shown, without_hours
from analysis.hydraulics.network import compile_network
from analysis.signatures import signatures_of
from analysis.telling_apart import told_apart
from tests.support.simulated_rack import (
    GAUGE,
    HEALTHY,
    METERS,
    PLANT,
    Truth,
    assessed,
    commissioned,
    hours_of,
    plant_file,
    ramped,
    stepped,
)
from tests.support.simulated_stories import AT, DAYS, HOURS, SEED

RACK = plant_file(PLANT + GAUGE)
BARE = plant_file()
NAME = "header pressure"
GRAVITY_M_S2 = 9.80665
STORIES = {
    "healthy": HEALTHY,
    "gauge drifts": Truth(reading={NAME: ramped(HOURS, AT, 0.96, over_h=120)}),
    "pump weaker": Truth(speed=stepped(HOURS, AT, 0.96)),
}


@functools.cache
def hours(story: str) -> HourFrame:
    """Of the rack with its gauge."""
    return hours_of(RACK, days=DAYS, seed=SEED, truth=STORIES[story])


@functools.cache
def baseline() -> Baseline:
    """Of the first week, which is the same in all stories."""
    return commissioned(RACK, hours("healthy"))


@functools.cache
def told(story: str, *, gauge: bool) -> Assessment:
    """What is said of a story with the gauge, and by the same meters without it."""
    if gauge:
        return assessed(RACK, baseline(), hours(story))
    frame = replace(hours(story), gauges=None)
    return assessed(BARE, commissioned(BARE, frame), frame)


def chances(known: Assessment) -> dict[tuple[FaultKind, str | None], float]:
    """What the only finding is thought to be in the end."""
    (finding,) = known.findings
    return {(candidate.kind, candidate.subject): candidate.probability for candidate in finding.candidates}


def test_pressure_is_the_weight_of_the_plants_water() -> None:
    """By the Gibbs seawater library (TEOS-10): 25 degC, 35 g/kg at the surface."""
    density = gsw.rho(35.0, 25.0, 0.0)

    assert head_of(RACK.plant, np.array(30_000.0)) == pytest.approx(30_000.0 / (density * GRAVITY_M_S2), rel=1e-3)


def test_the_columns_of_gauges_come_behind_those_of_meters() -> None:
    """Runs of meters, nodes and heights of gauges; and no gauge that the plant has not."""
    network = compile_network(RACK.plant)
    columns = columns_of(RACK.plant, network, METERS, (NAME,))

    assert [network.runs[place] for place in columns.run] == ["return", "uv", "scrubber", "carbon"]
    assert [network.nodes[place] for place in columns.node] == ["tee 2"]
    assert columns.height_m.tolist() == [0.25]
    with pytest.raises(ValueError, match="no gauge"):
        columns_of(RACK.plant, network, METERS, ("other",))


def test_an_hour_in_which_the_pump_stood_says_nothing() -> None:
    """Nor one that is left out, nor a gauge that the frame has not."""
    frame = replace(
        hours("healthy").until(3),
        off_s=np.array([0.0, 300.0, 0.0]),
        gauges=GaugeHours(names=(NAME,), shown=np.full((3, 1), 9000.0)),
    )

    shown = usable_shown(frame, (NAME, "other"))
    assert shown[:, 0] == pytest.approx([9000.0, np.nan, 9000.0], nan_ok=True)
    assert np.isnan(shown[:, 1]).all()
    left = usable_shown(without_hours(frame, np.array([True, False, False])), (NAME,))
    assert left[:, 0] == pytest.approx([np.nan, np.nan, 9000.0], nan_ok=True)


def test_commissioning_knows_its_pressure_and_its_noise() -> None:
    """As many columns as meters and gauges; what it reads agrees with the plant that it was drawn from."""
    found = baseline()
    (gauge,) = found.gauges

    assert found.readings == (*METERS, NAME)
    assert found.noise.meters == 5
    assert found.meter_noise.meters == 4
    assert gauge.gain == pytest.approx(1.0, abs=0.03)
    assert found.noise.wander_sd[4] < found.noise.wander_sd[:4].min()
    assert not found.warnings()


def test_a_baseline_with_gauges_is_kept_whole() -> None:
    """As text for the store and back."""
    found = replace(baseline(), left_out=())
    again = from_json(to_json(found))

    assert again.gauges == found.gauges
    assert to_json(again) == to_json(found)


def test_a_gauge_with_too_few_hours_is_left_out_and_said() -> None:
    """47 hours are too few; the meters are commissioned as they are without it."""
    frame = hours("healthy")
    assert frame.gauges is not None
    few = np.where(np.arange(frame.hours)[:, None] < 47, frame.gauges.shown, np.nan)
    found = commissioned(RACK, replace(frame, gauges=replace(frame.gauges, shown=few)))

    assert found.gauges == ()
    assert any(NAME in warning and "47 hours" in warning for warning in found.warnings())
    assert found.flow_m3s.tolist() == baseline().flow_m3s.tolist()
    assert found.noise.meters == 4


def test_a_wrong_unit_is_said() -> None:
    """A pressure in bar that the plant file takes for kilopascals is off by a hundred."""
    frame = hours("healthy")
    assert frame.gauges is not None
    small = replace(frame.gauges, shown=frame.gauges.shown / 100)
    found = commissioned(RACK, replace(frame, gauges=small))

    assert any(NAME in warning and "unit" in warning for warning in found.warnings())


def test_a_healthy_plant_gives_no_finding() -> None:
    """With one reading more to go wrong."""
    assert told("healthy", gauge=True).findings == ()


@pytest.mark.parametrize("seed", [6, 8, 9])
def test_a_small_branch_is_told_from_its_meter(seed: int) -> None:
    """The header does not rise where the meter of a branch of 6 % of the flow reads 13 % low: the branch is believed.

    Whatever the noise that was drawn, the chance that it is not the meter is less than half with the gauge.
    """
    wrong = Truth(reading={"M4": stepped(HOURS, AT, 0.87)})
    frame = hours_of(RACK, days=DAYS, seed=seed, truth=wrong)
    bare = replace(frame, gauges=None)
    with_it = chances(assessed(RACK, commissioned(RACK, frame), frame))
    without = chances(assessed(BARE, commissioned(BARE, bare), bare))

    assert 1.0 - with_it[FaultKind.METER, "M4"] < 0.5 * (1.0 - without[FaultKind.METER, "M4"])
    assert with_it.get((FaultKind.RESTRICTION, "carbon"), 0.0) < without[FaultKind.RESTRICTION, "carbon"]


def test_a_drifting_gauge_is_not_blamed_on_the_plant() -> None:
    """It is a finding of its own, in its own words."""
    known = told("gauge drifts", gauge=True)
    (finding,) = known.findings

    assert chances(known)[FaultKind.METER, NAME] > 0.9
    assert finding.summary.startswith(f"Gauge {NAME} shows")
    assert f"gauge {NAME} reads wrong" in finding.summary
    assert f"Check gauge {NAME}" in finding.action
    assert any("zero" in cause for cause in finding.candidates[0].could_be)
    assert known.forecasts == ()


def test_a_weaker_pump_is_still_a_weaker_pump() -> None:
    """And the evidence has a row for the gauge, which agrees."""
    known = told("pump weaker", gauge=True)
    row = known.findings[0].evidence[-1]

    assert chances(known)[FaultKind.SUPPLY, None] > 0.9
    assert row.meter == NAME
    assert row.low_percent < row.expected_percent < row.high_percent
    assert row.expected_percent < -4


def test_the_state_of_a_gauge() -> None:
    """Its last day beside its commissioned pressure; the meters and their flows as they are."""
    known = told("pump weaker", gauge=True)
    (state,) = known.gauge_states

    assert (state.name, state.run) == (NAME, "header")
    assert 0.8 < state.shown / state.commissioned < 0.97
    assert tuple(state.name for state in known.meter_states) == METERS == known.meters
    assert known.flow_m3s.shape == known.expected_m3s.shape == (len(known.hours_s), 4)


def test_what_is_told_apart_goes_by_the_gauge() -> None:
    """Before commissioning and after; one more meter is tried beside it, and no pair takes longer for it."""
    bare, plain, known = told_apart(BARE.plant, None), told_apart(RACK.plant, None), told_apart(RACK.plant, baseline())
    hours_by = [{(found.first, found.second): found.hours for found in apart.pairs} for apart in (bare, plain, known)]

    assert hours_by[0]["restriction:carbon", "meter:M4"] is None
    assert hours_by[1]["restriction:carbon", "meter:M4"] is not None
    without, with_it = (hours_by[apart]["opening:carbon", "meter:M4"] for apart in (0, 2))
    assert with_it is not None
    assert without is None or with_it < 0.5 * without
    for first, second in hours_by[0]:
        without, with_it = hours_by[0][first, second], hours_by[1][first, second]
        assert without is None or (with_it is not None and with_it <= without)
    assert tuple(plain.gauges) == tuple(known.gauges) == (NAME,)
    assert any(f"meter:{NAME}" in found for found in hours_by[1])


def test_a_header_pressure_has_one_pattern_for_the_supply() -> None:
    """There is still one supply fault, and every size of it lowers or raises the gauge with all meters."""
    network = compile_network(RACK.plant)
    found = signatures_of(RACK.plant, network, baseline().state(network), METERS, (NAME,))
    supply = found.hypotheses.owner == found.hypotheses.names.index("supply:pump")

    assert found.readings == (*METERS, NAME)
    assert (np.sign(found.hypotheses.patterns[supply]) == np.sign(found.hypotheses.size[supply])[:, None]).all()

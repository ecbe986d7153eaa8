"""The scenarios that the diagnosis is scored on are plumbing that obeys physics, and their labels say what is wrong."""

import functools

import numpy as np
import pytest

from analysis.assessment import FaultKind
from analysis.hydraulics.network import compile_network, solve
from tests.bench.diagnosis_parts.engine import Engine, usual
from tests.bench.diagnosis_parts.faults import KINDS, OFTEN, SORTS, kind_of
from tests.bench.diagnosis_parts.life import DAY_H, PROFILES
from tests.bench.diagnosis_parts.manifold import RISER, draw_manifold, plant_of
from tests.bench.diagnosis_parts.scenario import LEAST_READING, Scenario, draw_scenario

SEED = 31
NOTICED = 1e-9
FAULTS = tuple(SORTS)


@functools.cache
def scenario(kind: str, number: int = 0) -> Scenario:
    """A scenario of a kind; each is drawn once."""
    return draw_scenario(PROFILES["standard"], SEED, number, kind=kind)


def last_hour(of: Scenario) -> int:
    """The last hour of the fault, or of the record."""
    end = of.truth.fault.end_h
    return of.frame.hours - 1 if end is None else end - 1


@pytest.mark.parametrize("seed", range(6))
def test_the_engine_and_the_projects_hydraulics_agree_on_the_design(seed: int) -> None:
    """The plant file's flows by two solvers that share nothing, within 0.2 % (EPANET's friction is an approximation)."""
    design = draw_manifold(np.random.default_rng(seed))
    network = compile_network(plant_of(design, ()))
    with Engine(design) as engine:
        theirs = engine.flows_m3s(usual(1, len(design.branches), viscosity_m2s=network.viscosity_m2s))[0]
    ours = solve(network).flow_m3s[0][[network.run_index(name) for name in design.names]]
    assert np.allclose(ours, theirs, rtol=2e-3, atol=0.0)


@pytest.mark.parametrize("seed", range(6))
def test_every_branch_gets_about_its_design_flow(seed: int) -> None:
    """The throttles are set so that no branch is more than a third off what it was drawn for."""
    design = draw_manifold(np.random.default_rng(seed))
    with Engine(design) as engine:
        flow = engine.flows_m3s(usual(1, len(design.branches), viscosity_m2s=9.4e-7))[0]
    wanted = np.array([branch.flow_m3s for branch in design.branches])
    assert np.all(np.abs(np.log(flow / wanted)) < np.log(4 / 3))


def test_a_rising_sump_lifts_every_flow_but_those_back_into_it() -> None:
    """Less lift for the outlets that are fixed in space; what falls back into the sump only shares the pump's gain."""
    design = next(m for m in map(draw_manifold, map(np.random.default_rng, range(20))) if "uv" in m.names)
    asked = usual(2, len(design.branches), viscosity_m2s=9.4e-7)
    asked.sump_rise_m[1] = 0.05
    with Engine(design) as engine:
        low, high = engine.flows_m3s(asked)
    change = dict(zip(design.names, np.log(high / low).tolist(), strict=True))
    assert change["return"] > 0
    assert change["return"] > change["uv"]


def test_the_same_seed_and_number_give_the_same_scenario() -> None:
    """Readings, journal and truth are drawn again to the last bit."""
    again = draw_scenario(PROFILES["standard"], SEED, 0, kind="slow_clog")
    first = scenario("slow_clog")
    assert np.array_equal(first.frame.rate, again.frame.rate, equal_nan=True)
    assert first.events == again.events
    assert first.truth.crossed_h == again.truth.crossed_h
    assert first.plant_file == again.plant_file


def test_another_number_gives_another_plant() -> None:
    """Two scenarios of one kind share neither pump nor branches."""
    assert scenario("slow_clog").plant_file.plant != scenario("slow_clog", 1).plant_file.plant


def test_every_twenty_scenarios_hold_all_kinds() -> None:
    """Each block of twenty is a shuffle of the same twenty."""
    for first in (0, 20):
        kinds = [kind_of(SEED, number) for number in range(first, first + 20)]
        assert {kind: kinds.count(kind) for kind in OFTEN} == OFTEN


@pytest.mark.parametrize("kind", list(KINDS))
def test_nothing_is_wrong_before_the_onset(kind: str) -> None:
    """Up to the labelled onset the readings are those of the sound plant; in its first hour they are not."""
    truth = scenario(kind).truth
    onset = truth.fault.onset_h
    if onset is None:
        assert np.all(np.abs(truth.change) < NOTICED)
        return
    assert onset > scenario(kind).healthy_h
    assert np.all(np.abs(truth.change[:onset]) < NOTICED)
    assert np.max(np.abs(truth.change[onset])) > NOTICED


@pytest.mark.parametrize("kind", FAULTS)
def test_the_label_names_what_the_readings_show(kind: str) -> None:
    """A restricted branch loses and another gains, an opened one the reverse; a supply moves all; a meter moves alone."""
    told = scenario(kind)
    answer = told.truth.fault.answer
    assert answer is not None
    assert answer[0] is SORTS[kind][0]
    change = dict(zip(told.truth.meters.runs, told.truth.change[last_hour(told)].tolist(), strict=True))
    own = change.pop((answer[1] or "").removesuffix(" meter"), 0.0)
    change.pop(RISER, None)
    others = np.array(list(change.values()))
    if answer[0] is FaultKind.METER:
        assert abs(own) > 0.005
        assert np.all(np.abs(others) < NOTICED)
    elif answer[0] is FaultKind.SUPPLY:
        assert np.all(others * others[0] > 0)
    else:
        down = answer[0] is FaultKind.RESTRICTION
        assert own < 0 if down else own > 0
        assert np.any(others > 0 if down else others < 0)


def test_a_cured_clog_is_gone_at_its_end() -> None:
    """From the labelled end on nothing of it is left, and the keeper wrote nothing down."""
    told = scenario("unlogged_cure")
    assert told.truth.fault.end_h is not None
    assert np.all(np.abs(told.truth.change[told.truth.fault.end_h :]) < NOTICED)
    assert not [event for event in told.events if event.kind == "maintenance"]


def test_a_stuck_meter_gives_no_pulses() -> None:
    """From the onset on its rate is nought wherever there are readings."""
    told = scenario("meter_stuck")
    column = told.frame.meters.index((told.truth.fault.answer or (None, ""))[1] or "")
    assert np.nanmax(told.frame.rate[told.truth.fault.onset_h :, column]) == 0.0
    assert np.nanmin(told.frame.rate[: told.truth.fault.onset_h, column]) > 0.0


def test_readings_are_the_flow_within_the_meters_errors() -> None:
    """On a healthy plant the label's K-factor gives the sound flow, off by wander and noise of a few per cent."""
    told = scenario("healthy")
    label = np.array([meter.k_points[0][1] for meter in told.plant_file.plant.meters]) * 1000.0
    off = np.log(told.frame.rate / label) - told.truth.sound_log
    assert np.nanmax(np.abs(off)) < 0.1
    assert np.nanstd(off) > LEAST_READING / 10


def test_unheard_hours_have_no_rate_and_pauses_are_known() -> None:
    """An hour of which nothing is known is nan on every meter; pauses take ten minutes each from the hours."""
    told = scenario("healthy", 3)
    unknown = np.isnan(told.frame.rate)
    assert np.array_equal(unknown, told.frame.seconds == 0.0)
    paused = told.frame.off_s[(told.frame.off_s > 0) & (told.frame.seconds[:, 0] > 0)]
    assert np.all(paused <= 600.0)


def test_a_crossing_is_where_the_days_mean_falls_below_the_keepers_least_flow() -> None:
    """Worked out anew from the flows of the plant: below at the hour, not below before the fault."""
    told = next(s for s in (scenario("slow_clog", number) for number in range(9)) if s.truth.crossed_h)
    run, crossed_h = next(iter(told.truth.crossed_h.items()))
    column = told.truth.meters.runs.index(run)
    shown = np.exp(told.truth.sound_log + told.truth.change)[:, column]
    target = next(r.target for r in told.plant_file.plant.runs if r.name == run)
    assert target is not None
    assert target.low_m3s is not None
    mean = shown[crossed_h + 1 - DAY_H : crossed_h + 1].mean()
    assert mean == pytest.approx(target.low_m3s, rel=0.02)
    assert shown[: told.truth.fault.onset_h].min() > target.low_m3s

"""A gauge of the pump's power on the simulated rack: in commissioning, in what is said of faults, in what is told apart."""

import functools
from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment import Assessment, FaultKind, SupplyPart
from analysis.baseline import Baseline
from analysis.baseline_text import from_json, to_json
from analysis.events import Event, EventKind
from analysis.frames import HOUR_S, HourFrame
from analysis.step_causes import causes_of
from analysis.telling_apart import ToldApart, told_apart
from config.plant import GaugeKind
from tests.support.simulated_rack import (
    FIGURES,
    HEALTHY,
    METERS,
    PLANT,
    POWER,
    SPEED_LINE,
    Truth,
    assessed,
    commissioned,
    hours_of,
    plant_file,
    stepped,
)
from tests.support.simulated_stories import AT, DAYS, HOURS, SEED

NAME = "pump power"
RACK = plant_file(PLANT.replace(SPEED_LINE, FIGURES) + POWER)
NO_FIGURES = plant_file(PLANT + POWER)
BARE = plant_file()
STORIES = {
    "healthy": HEALTHY,
    "slower": Truth(speed=stepped(HOURS, AT, 0.95)),
    "trunk": Truth(resistance={"riser": stepped(HOURS, AT, 8.0)}),
    "worn": Truth(head=stepped(HOURS, AT, 0.88)),
    "drags": Truth(reading={NAME: stepped(HOURS, AT, 1.12)}),
    "clogged": Truth(resistance={"uv": stepped(HOURS, AT, 2.2)}),
}


@functools.cache
def hours(story: str, seed: int = SEED) -> HourFrame:
    """Of the rack with its gauge."""
    return hours_of(RACK, days=DAYS, seed=seed, truth=STORIES[story])


@functools.cache
def baseline(*, figures: bool = True) -> Baseline:
    """Of the first week, which is the same in all stories."""
    return commissioned(RACK if figures else NO_FIGURES, hours("healthy"))


@functools.cache
def told(story: str, *, figures: bool = True) -> Assessment:
    """What is said of a story, with the pump's figures or without."""
    return assessed(RACK if figures else NO_FIGURES, baseline(figures=figures), hours(story))


def parts_of(known: Assessment) -> dict[SupplyPart | None, float]:
    """Probabilities of the only finding's candidates at the supply."""
    (finding,) = known.findings
    return {
        candidate.part: candidate.probability for candidate in finding.candidates if candidate.kind is FaultKind.SUPPLY
    }


def test_commissioning_learns_what_the_pump_draws() -> None:
    """Its median of the healthy days, against the plant file's figures, and a noise of its own; the fit is without it."""
    found = baseline()
    (gauge,) = found.gauges
    frame = hours("healthy")
    assert frame.gauges is not None
    bare = commissioned(BARE, replace(frame, gauges=None))

    assert gauge.reads is GaugeKind.POWER
    assert gauge.shown == pytest.approx(float(np.median(frame.gauges.shown[: found.to_s // HOUR_S])), rel=0.01)
    assert gauge.gain == pytest.approx(1.0, abs=0.03)
    assert found.noise.wander_sd[4] < found.noise.wander_sd[:4].min()
    assert found.head_factor == bare.head_factor
    assert not found.warnings()
    assert to_json(from_json(to_json(found))) == to_json(found)


def test_another_power_than_the_figures_give_is_said() -> None:
    """A gauge that reads a lamp besides; and without figures there is nothing to compare it with."""
    frame = hours("healthy")
    assert frame.gauges is not None
    more = replace(frame, gauges=replace(frame.gauges, shown=1.5 * frame.gauges.shown))

    (warning,) = commissioned(RACK, more).warnings()

    assert NAME in warning
    assert "more than the pump alone" in warning
    assert not commissioned(NO_FIGURES, more).warnings()


def test_a_healthy_plant_gives_no_finding() -> None:
    """With and without figures."""
    assert told("healthy").findings == ()
    assert told("healthy", figures=False).findings == ()


@pytest.mark.parametrize(
    ("story", "part", "never"),
    [
        ("slower", SupplyPart.SPEED, SupplyPart.INTAKE),
        ("trunk", SupplyPart.INTAKE, SupplyPart.SPEED),
        ("worn", SupplyPart.IMPELLER, SupplyPart.INTAKE),
    ],
)
@pytest.mark.parametrize("figures", [True, False])
def test_a_weaker_supply_is_told_by_its_parts(
    story: str, part: SupplyPart, never: SupplyPart, *, figures: bool
) -> None:
    """The flows say the supply, the power which part of it; what a worn impeller may look like too is never ruled out."""
    known = parts_of(told(story, figures=figures))

    assert sum(known.values()) > 0.9
    assert max(known, key=lambda place: known[place]) is part
    assert known.get(never, 0.0) < 0.1
    assert None not in known
    if part is not SupplyPart.IMPELLER:
        assert known[SupplyPart.IMPELLER] > 0.01
        assert known[part] < 0.99


def test_figures_make_it_surer() -> None:
    """The slope of the power is then known."""
    known, unknown = (parts_of(told("trunk", figures=figures)) for figures in (True, False))

    assert known[SupplyPart.INTAKE] > unknown[SupplyPart.INTAKE]


def test_without_the_gauge_the_supply_stays_whole() -> None:
    """The same hours by the flow meters alone."""
    frame = replace(hours("slower"), gauges=None)
    known = parts_of(assessed(BARE, commissioned(BARE, frame), frame))

    assert list(known) == [None]
    assert known[None] > 0.9


def test_the_words_of_a_part() -> None:
    """What it is, what it could be, and what to do, with the second cause after it."""
    (finding,) = told("slower").findings

    assert "the pump's speed has changed" in finding.summary
    assert "or the impeller is worn or fouled" in finding.summary
    assert finding.action.startswith("Look at the controller's setting")
    assert "If that is not it: Unplug the pump" in finding.action
    assert any("voltage" in cause for cause in finding.candidates[0].could_be)


def test_a_power_that_moves_alone_is_the_gauge_or_the_motor() -> None:
    """No flow follows it: a finding of its own, in its own words."""
    (finding,) = told("drags").findings
    first = finding.candidates[0]

    assert (first.kind, first.subject) == (FaultKind.METER, NAME)
    assert first.probability > 0.9
    assert finding.summary.startswith(f"Gauge {NAME} shows 12 % more power")
    assert "or the motor has changed" in finding.summary
    assert any("drags" in cause for cause in first.could_be)
    assert "unplug the pump" in finding.action


def test_a_clogged_branch_is_still_one() -> None:
    """Its small effect on the power is as the network tells."""
    (finding,) = told("clogged").findings

    assert (finding.candidates[0].kind, finding.candidates[0].subject) == (FaultKind.RESTRICTION, "uv")
    assert finding.candidates[0].probability > 0.9
    row = finding.evidence[-1]
    assert row.meter == NAME
    assert row.low_percent < row.expected_percent < row.high_percent


def test_a_logged_speed_is_no_finding() -> None:
    """Power goes with its cube, and that is taken at its word."""
    frame = hours("slower")
    event = Event(at_s=float(frame.start_s + AT * HOUR_S), kind=EventKind.PUMP_SPEED, target="pump", value="95")

    assert assessed(RACK, baseline(), frame, events=(event,)).findings == ()


def test_a_step_goes_on_from_what_the_power_tells() -> None:
    """Its causes are the finding's, with the parts as likely as they are there."""
    (finding,) = told("trunk").findings
    causes = causes_of(finding.candidates)

    assert [cause.part for cause in causes] == [candidate.part for candidate in finding.candidates]
    assert causes[0].probability == pytest.approx(finding.candidates[0].probability, rel=0.02)


@functools.cache
def apart(*, gauge: bool, figures: bool = True) -> ToldApart:
    """What the rack tells apart by its plant file."""
    rack = BARE if not gauge else RACK if figures else NO_FIGURES
    return told_apart(rack.plant, None)


def test_what_is_told_apart_goes_by_the_power() -> None:
    """Speed from intake, soon; the impeller from neither: it may do to the power what either does."""
    for figures in (True, False):
        found = apart(gauge=True, figures=figures)
        hours_of_pair = {frozenset((pair.first, pair.second)): pair.hours for pair in found.pairs}
        worn, shut, slow = (f"supply:{part.value}" for part in SupplyPart)

        assert found.gauges == {NAME: GaugeKind.POWER}
        assert hours_of_pair[frozenset((shut, slow))] is not None
        assert hours_of_pair[frozenset((worn, slow))] is None
        assert hours_of_pair[frozenset((worn, shut))] is None
        for part in (worn, shut, slow):  # the flows tell any of them from a gauge or motor alone
            assert hours_of_pair[frozenset((part, f"meter:{NAME}"))] is not None


def test_no_pair_of_branches_takes_longer_for_it() -> None:
    """A reading more with a doubt of its own takes nothing from the meters."""
    bare, known = (
        {(pair.first, pair.second): pair.hours for pair in apart(gauge=gauge).pairs} for gauge in (False, True)
    )

    for pair, without in bare.items():
        if "supply:pump" not in pair:
            assert without is None or (known[pair] is not None and known[pair] <= without)  # type: ignore[operator]


def test_the_state_of_the_gauge() -> None:
    """Its last day beside what it drew when commissioned; it sits on no run."""
    (state,) = told("slower").gauge_states

    assert (state.name, state.run, state.reads) == (NAME, None, GaugeKind.POWER)
    assert 0.8 < state.shown / state.commissioned < 0.9
    assert tuple(state.name for state in told("slower").meter_states) == METERS

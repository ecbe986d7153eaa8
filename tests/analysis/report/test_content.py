"""What the page says, before it is drawn."""

import dataclasses
import json
import math

import pytest

from analysis.assessment import Assessment, Status
from analysis.events import Event, EventKind
from analysis.report.content import Verdict, gather, letter, verdict
from analysis.report.machine import figures_of
from analysis.report.trends import turning_points, whole_flow_meters
from config.plant import Target
from tests.analysis.report import material

DAY_S = 86400


def test_quiet_plant_has_no_tasks() -> None:
    """Where nothing is wrong there is nothing to do."""
    content = gather(material.plant_file(), material.assessment(), material.events(), (), week=None)

    assert content.tasks == ()


def test_open_finding_is_a_task_with_its_forecast() -> None:
    """The crossing that a finding leads to is told with it, not twice."""
    content = gather(material.plant_file(), material.assessment(material.finding()), (), (), week=None)

    assert [task.letter for task in content.tasks] == ["A"]
    assert content.tasks[0].forecast == content.forecasts[0]


def test_closed_finding_is_no_task() -> None:
    """A finding that was cleared is told, and asks for nothing."""
    content = gather(material.plant_file(), material.assessment(material.supply_finding()), (), (), week=None)

    assert [known.is_open for known in content.findings] == [False]
    assert all(task.letter is None for task in content.tasks)


def test_finding_cleared_after_the_week_is_open_in_it() -> None:
    """The report of a past week says what was open at its end."""
    content = gather(material.plant_file(), material.assessment(material.supply_finding()), (), (), week="2026-W44")

    assert [known.is_open for known in content.findings] == [True]


def test_urgent_findings_come_first() -> None:
    """A failure goes before work that can be planned, and a closed finding comes last."""
    failure = dataclasses.replace(material.finding("uv", "M2"), id="b", status=Status.FAILURE)
    known = material.assessment(material.supply_finding(), material.finding(), failure)
    content = gather(material.plant_file(), known, (), (), week=None)

    assert [entry.finding.id for entry in content.findings] == ["b", "2026-11-12T14-carbon", "2026-10-29T00-supply"]


def _with_meter(status: Status) -> Assessment:
    known = material.assessment()
    states = (
        dataclasses.replace(known.meter_states[0], status=status, reason="It has been silent."),
        *known.meter_states[1:],
    )
    return dataclasses.replace(known, meter_states=states)


def test_meter_that_is_not_good_is_a_task() -> None:
    """A silent meter is work even where no finding names it."""
    content = gather(material.plant_file(), _with_meter(Status.FAILURE), (), (), week=None)

    assert [(task.status, task.text) for task in content.tasks] == [(Status.FAILURE, "It has been silent.")]


def test_pump_that_is_not_good_is_a_task() -> None:
    """So is a pump, where no finding speaks of the supply."""
    known = dataclasses.replace(material.assessment(), pump_status=Status.FUNCTION_CHECK, pump_reason="At 60 %.")
    content = gather(material.plant_file(), known, (), (), week=None)

    assert [task.text for task in content.tasks] == ["At 60 %."]


def _with_carbon(flow_l_per_h: float) -> Assessment:
    known = material.assessment()
    carbon = dataclasses.replace(known.meter_states[2], flow_m3s=flow_l_per_h * material.LITRE_PER_H)
    return dataclasses.replace(known, meter_states=(*known.meter_states[:2], carbon, *known.meter_states[3:]))


@pytest.mark.parametrize(("flow", "side"), [(250.0, "less"), (500.0, "more")])
def test_branch_outside_its_target_is_a_task(flow: float, side: str) -> None:
    """A starved or flooded branch is never "nothing to do", even where no fault was found."""
    content = gather(material.plant_file(), _with_carbon(flow), (), (), week=None)

    assert [task.status for task in content.tasks] == [Status.OUT_OF_SPECIFICATION]
    assert f"gets {side} than its target" in content.tasks[0].title
    assert f"{flow:g} L/h" in content.tasks[0].text


def test_branch_outside_its_target_waits_for_the_finding() -> None:
    """Where a fault is known, a branch that it starves is told with it: its own valve is not to blame."""
    weaker = dataclasses.replace(material.supply_finding(), cleared_at_s=None)
    known = dataclasses.replace(material.assessment(weaker), forecasts=())
    content = gather(material.plant_file(), known, (), (), week=None)

    assert [task.letter for task in content.tasks] == ["A"]
    assert content.tasks[0].also.startswith("Outside target meanwhile: \N{FIRST STRONG ISOLATE}carbon")


def test_opinions_that_change_nothing_are_left_out() -> None:
    """Of many opinions the page tells the first, each that brought a new cause or surety, and the last if its size is new."""
    finding = material.finding()
    early, late = finding.history
    many = tuple(dataclasses.replace(early, at_s=early.at_s + hour) for hour in range(5))
    shown = turning_points((*many, late, dataclasses.replace(late, at_s=material.NOW_S)))

    assert [opinion.at_s for opinion in shown] == [early.at_s, late.at_s]
    grown = dataclasses.replace(late.candidates[0], flow_change_percent=2 * late.candidates[0].flow_change_percent)
    last = dataclasses.replace(late, at_s=material.NOW_S, candidates=(grown, *late.candidates[1:]))
    shown = turning_points((*many, late, last))
    assert [opinion.at_s for opinion in shown] == [early.at_s, late.at_s, material.NOW_S]
    assert turning_points(()) == ()
    assert turning_points((early,)) == (early,)


@pytest.mark.parametrize(
    ("flow", "bounds", "said"),
    [
        (math.nan, Target(low_m3s=1.0), Verdict.NO_READING),
        (1.0, None, Verdict.NO_TARGET),
        (1.0, Target(), Verdict.NO_TARGET),
        (0.9, Target(low_m3s=1.0), Verdict.BELOW),
        (1.0, Target(low_m3s=1.0, high_m3s=1.0), Verdict.WITHIN),
        (1.1, Target(high_m3s=1.0), Verdict.ABOVE),
        (0.0, Target(high_m3s=1.0), Verdict.WITHIN),
    ],
)
def test_verdict_holds_flow_against_target(flow: float, bounds: Target | None, said: Verdict) -> None:
    """Bounds belong to the target; an unknown flow is neither in nor out."""
    assert verdict(flow, bounds) is said


def test_branch_is_averaged_by_day_and_night() -> None:
    """The mean of all hours lies between the means of day and night, and the lowest hour below."""
    content = gather(material.plant_file(), material.assessment(), (), (), week=None)
    line = content.branches[0]

    assert min(line.day_m3s, line.night_m3s) <= line.mean_m3s <= max(line.day_m3s, line.night_m3s)
    assert line.low_m3s < line.mean_m3s


def test_branch_without_meter_is_listed() -> None:
    """What is not measured is said, not left out."""
    content = gather(material.plant_file(), material.assessment(), (), (), week=None)

    assert [(line.name, line.verdict) for line in content.branches][-1] == ("refugium", Verdict.NO_METER)
    assert len(content.branches) == 6


def test_whole_flow_says_what_it_sums() -> None:
    """A sum over some branches is not called the pump's flow."""
    meters, name = whole_flow_meters(material.plant_file().plant)

    assert (len(meters), name) == (5, "Sum of the 5 metered branches of 6")


def test_later_calibration_is_in_force() -> None:
    """Of two calibrations the later one counts, and none after the period."""
    events = tuple(
        Event(at_s=material.NOW_S + days * DAY_S, kind=EventKind.CALIBRATION, target="M1", value=value)
        for days, value in ((-3, "455"), (-5, "444"), (2, "999"))
    )
    content = gather(material.plant_file(), material.assessment(), events, (), week=None)

    assert [line.calibrated for line in content.meters] == ["455", None, None, None, None]


def test_letters_go_on_after_z() -> None:
    """Many findings have letters still."""
    assert [letter(place) for place in (0, 25, 26, 51, 52)] == ["A", "Z", "AA", "AZ", "BA"]


def test_journal_keeps_pauses_apart() -> None:
    """Daily feed pauses do not bury the few entries of work."""
    content = gather(material.plant_file(), material.assessment(), material.events(), (), week=None)

    assert (len(content.journal), len(content.pauses)) == (3, 27 + 1)


def test_figures_are_plain_json() -> None:
    """Everything can be written as JSON without nan, flows in L/h, times in UTC with Z."""
    known = material.assessment(material.finding())
    content = gather(material.plant_file(), known, material.events(), material.rejected(), week=None)
    figures = json.loads(json.dumps(figures_of(content), allow_nan=False))

    assert figures["to"] == "2026-11-23T00:00:00Z"
    assert [line["name"] for line in figures["branches"]][2] == "carbon"
    assert figures["branches"][2]["commissioned_l_per_h"] == pytest.approx(405)
    assert figures["branches"][2]["target_low_l_per_h"] == pytest.approx(300)
    assert figures["branches"][5]["flow_l_per_h"] is None
    assert figures["findings"][0]["candidates"][0]["kind"] == "restriction"
    assert figures["rejected"][0] == {"source": "bench", "reason": "the checksum is wrong", "times": 1437}

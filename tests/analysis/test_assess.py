"""The one door: what must not matter does not, and nothing later is used."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment import Assessment, Candidate, Finding, Forecast
from analysis.calibration import flow_of
from analysis.events import Event, EventKind
from analysis.frames import HOUR_S, HourFrame
from analysis.timeline import SETTLE_S
from analysis.watching import known_hours
from config.settings import PlantFile
from tests.support.simulated_rack import (
    PLANT,
    START_S,
    Truth,
    assessed,
    commissioned,
    hours_of,
    plant_file,
    stepped,
)
from tests.support.simulated_stories import AT, DAYS, HOURS, SEED, STORIES, UNTIL, event, healthy_baseline, told

# The rack in other units: the same plant to the last digit but one.
IN_OTHER_UNITS = (
    PLANT.replace('flow_unit = "L/h"', 'flow_unit = "gal/h"')
    .replace('"6000 L/h", "3.5 m"', '"6 m3/h", "350 cm"')
    .replace('outlet = "85 cm"', 'outlet = "850 mm"')
    .replace('low = "330 L/h"', 'low = "5.5 L/min"')
    .replace('length = "1.4 m"', 'length = "140 cm"')
)


def said(candidates: tuple[Candidate, ...]) -> list[tuple[str, str | None]]:
    """Kinds and places, most probable first."""
    return [(candidate.kind.value, candidate.subject) for candidate in candidates]


def same_but_for_names(one: Finding, other: Finding) -> None:
    """Two findings that say the same of the same times."""
    assert (one.raised_at_s, one.cleared_at_s, one.status, one.shape) == (
        other.raised_at_s,
        other.cleared_at_s,
        other.status,
        other.shape,
    )
    assert [opinion.at_s for opinion in one.history] == [opinion.at_s for opinion in other.history]
    for mine, others in zip(one.candidates, other.candidates, strict=True):
        assert mine.probability == pytest.approx(others.probability, abs=1e-4)
        assert mine.flow_change_percent == pytest.approx(others.flow_change_percent, abs=1e-2)


def assess_from_scratch(rack: PlantFile, frame: HourFrame) -> Assessment:
    """Commissioned on its own healthy days, and assessed."""
    return assessed(rack, commissioned(rack, frame), frame)


def test_units_of_the_plant_file_do_not_matter() -> None:
    """The same plant in other units, from commissioning on: the same findings."""
    story = told("carbon clogs")
    assert PLANT != IN_OTHER_UNITS

    other = assess_from_scratch(plant_file(IN_OTHER_UNITS), story.frame)

    for one, another in zip(story.assessment.findings, other.findings, strict=True):
        assert said(one.candidates) == said(another.candidates)
        same_but_for_names(one, another)


def test_names_of_meters_do_not_matter() -> None:
    """Renamed in the plant file and the readings, also against the order of the alphabet."""
    names = {"M1": "zeta", "M2": "back left", "M3": "1", "M4": "alpha"}
    text = PLANT
    for old, new in names.items():
        text = text.replace(f'"{old}"', f'"{new}"')
    story = told("carbon clogs")
    frame = replace(story.frame, meters=tuple(names[meter] for meter in story.frame.meters))

    other = assess_from_scratch(plant_file(text), frame)

    (one,), (another,) = story.assessment.findings, other.findings
    renamed = [(kind, names.get(subject or "", subject)) for kind, subject in said(one.candidates)]
    assert said(another.candidates) == renamed
    same_but_for_names(one, another)


def test_order_of_the_meters_does_not_matter() -> None:
    """Columns in another order, from commissioning on."""
    story = told("pump weaker")
    order = [3, 1, 0, 2]
    frame = replace(
        story.frame,
        meters=tuple(story.frame.meters[place] for place in order),
        rate=story.frame.rate[:, order],
        seconds=story.frame.seconds[:, order],
    )

    other = assess_from_scratch(story.rack, frame)

    assert other.meters == frame.meters
    for one, another in zip(story.assessment.findings, other.findings, strict=True):
        assert said(one.candidates) == said(another.candidates)
        same_but_for_names(one, another)


def test_order_of_the_journal_does_not_matter() -> None:
    """Entries may be given in any order."""
    story = told("speed logged")

    other = assessed(story.rack, story.baseline, story.frame, events=story.events[::-1])

    assert other.findings == story.assessment.findings
    assert np.array_equal(other.expected_m3s, story.assessment.expected_m3s)


@pytest.mark.parametrize("name", ["carbon clogs", "media changed"])
@pytest.mark.parametrize("hours", [AT + 3, UNTIL + 2])
def test_a_log_cut_short_gives_the_same_as_far_as_it_goes(name: str, hours: int) -> None:
    """Causality: what carries a time used nothing later. Findings, opinions and forecasts are a prefix of the whole's."""
    story = told(name)

    short = assessed(story.rack, story.baseline, story.frame.until(hours), events=story.events)
    whole = story.assessment

    raised = [finding for finding in whole.findings if finding.raised_at_s <= short.now_s]
    assert [(one.id, one.raised_at_s) for one in short.findings] == [(one.id, one.raised_at_s) for one in raised]
    for one, other in zip(short.findings, raised, strict=True):
        noted = tuple(opinion for opinion in other.history if opinion.at_s <= short.now_s)
        assert one.history == noted
        gone = other.cleared_at_s is not None and other.cleared_at_s <= short.now_s
        assert one.cleared_at_s == (other.cleared_at_s if gone else None)
    assert short.forecast_history == made_by(whole.forecast_history, short.now_s)


def made_by(forecasts: tuple[Forecast, ...], at_s: float) -> tuple[Forecast, ...]:
    """The forecasts that had been made by a time."""
    return tuple(forecast for forecast in forecasts if forecast.made_at_s <= at_s)


def test_now_is_a_cut_too() -> None:
    """Asked for an earlier time, the whole frame says what the cut one says."""
    story = told("uv restricted")
    hours = AT + 10

    one = assessed(story.rack, story.baseline, story.frame, hours=hours)
    other = assessed(story.rack, story.baseline, story.frame.until(hours))

    assert one.findings == other.findings
    assert one.now_s == other.now_s


def test_later_journal_entries_are_not_used() -> None:
    """The keeper's word of next week does not explain today's readings."""
    story = told("uv restricted")
    later = event(HOURS + 5, EventKind.MAINTENANCE, "uv", "valve_set")
    known = story.assessment

    assert assessed(story.rack, story.baseline, story.frame, events=(later,)).findings == known.findings


def test_hours_that_may_still_change_are_left_out() -> None:
    """An hour counts once nothing later can change it, and not a second sooner."""
    frame = told("healthy").frame
    end_s = frame.start_s + 10 * HOUR_S

    assert known_hours(frame, end_s + SETTLE_S) == (10, 0)
    assert known_hours(frame, end_s + SETTLE_S - 1) == (9, 0)
    assert known_hours(frame, frame.start_s - 50.0) == (0, 0)
    assert known_hours(frame, frame.end_s + 1e6) == (frame.hours, 0)


def test_hours_and_flows_are_shown() -> None:
    """Measured beside what the commissioned plant would show at the logged speed."""
    story = told("speed logged")
    known = story.assessment

    assert known.hours_s.tolist() == (START_S + HOUR_S * np.arange(HOURS)).tolist()
    assert known.flow_m3s == pytest.approx(flow_of(story.frame, story.rack.plant.meters))
    slowed = slice(AT + 1, UNTIL - 1)
    assert (known.expected_m3s[slowed] < story.baseline.flow_m3s).all()
    assert known.flow_m3s[slowed].mean(axis=0) == pytest.approx(known.expected_m3s[slowed].mean(axis=0), rel=0.03)
    assert known.expected_m3s[: AT - 1] == pytest.approx(np.tile(story.baseline.flow_m3s, (AT - 1, 1)))


@pytest.mark.parametrize("name", STORIES)
def test_findings_are_in_order_and_distinct(name: str) -> None:
    """By the time that they were raised, each with an id of its own."""
    findings = told(name).assessment.findings

    assert [one.raised_at_s for one in findings] == sorted(one.raised_at_s for one in findings)
    assert len({one.id for one in findings}) == len(findings)


def test_a_calibration_from_its_date_on_is_no_finding() -> None:
    """A K-factor 4 % higher in the journal: the same pulses are less water, and that is no fault of the plant."""
    frame = hours_of(plant_file(), days=DAYS, seed=SEED)
    calibration = Event(at_s=START_S + AT * HOUR_S, kind=EventKind.CALIBRATION, target="M3", value=str(24 * 1.04))

    known = assessed(plant_file(), healthy_baseline(), frame, events=(calibration,))

    assert known.findings == ()
    before, after = (known.flow_m3s[hours, 2].mean() for hours in (slice(AT), slice(AT, None)))
    assert after / before == pytest.approx(1 / 1.04, rel=0.01)
    expected = known.expected_m3s[:, 2]
    assert expected[AT] / expected[AT - 1] == pytest.approx(1 / 1.04, rel=1e-6)
    assert np.nanmean(known.flow_m3s[AT:, 2] / expected[AT:]) == pytest.approx(1.0, abs=0.01)
    (state,) = (state for state in known.meter_states if state.name == "M3")
    assert state.commissioned_m3s == pytest.approx(healthy_baseline().flow_m3s[2] / 1.04, rel=1e-6)


def test_a_calibration_within_the_hour_is_no_finding() -> None:
    """The hour that it falls into is seen by the old K-factor, the next by the new one; a large one too."""
    frame = hours_of(plant_file(), days=DAYS, seed=SEED)
    calibration = Event(at_s=START_S + (AT + 0.4) * HOUR_S, kind=EventKind.CALIBRATION, target="M3", value="33.6")

    known = assessed(plant_file(), healthy_baseline(), frame, events=(calibration,))

    assert known.findings == ()
    ratio = known.flow_m3s[:, 2] / known.expected_m3s[:, 2]
    assert ratio[AT - 24 : AT + 24] == pytest.approx(np.ones(48), abs=0.04)


def test_a_meter_that_had_drifted_is_mended_by_its_calibration() -> None:
    """Fouled, it gives 15 % fewer pulses; the bucket test says so, its flow comes back and the expected one stays."""
    fouled = Truth(reading={"M3": stepped(DAYS * 24, AT - 72, 0.85)})
    frame = hours_of(plant_file(), days=DAYS, seed=SEED, truth=fouled)
    calibration = Event(at_s=START_S + AT * HOUR_S, kind=EventKind.CALIBRATION, target="M3", value=str(24 * 0.85))

    known = assessed(plant_file(), healthy_baseline(), frame, events=(calibration,))

    (finding,) = known.findings
    assert said(finding.candidates)[0] == ("meter", "M3")
    assert finding.cleared_at_s is not None
    assert known.expected_m3s[:, 2] == pytest.approx(
        np.full(known.expected_m3s.shape[0], healthy_baseline().flow_m3s[2])
    )


def test_a_restricted_branch_is_told_across_a_calibration() -> None:
    """The K-factor was wrong from the beginning: what was restricted before the bucket test still is after it."""
    clogged = Truth(resistance={"carbon": stepped(DAYS * 24, AT - 72, 1.6)})
    frame = hours_of(plant_file(), days=DAYS, seed=SEED, truth=clogged)
    calibration = Event(at_s=START_S + AT * HOUR_S, kind=EventKind.CALIBRATION, target="M4", value="66")

    without, known = (assessed(plant_file(), healthy_baseline(), frame, events=one) for one in ((), (calibration,)))

    assert [finding.cleared_at_s for finding in known.findings] == [None]
    assert said(known.findings[0].candidates)[0] == said(without.findings[0].candidates)[0] == ("restriction", "carbon")
    change, usual = (one.findings[0].candidates[0].flow_change_percent for one in (known, without))
    assert change == pytest.approx(usual, abs=1.0)


@pytest.mark.parametrize("hours", [AT + 3, AT + 30])
def test_a_log_cut_short_gives_the_same_across_calibrations(hours: int) -> None:
    """Whether a meter had drifted is told from the hours before its calibration alone."""
    fouled = Truth(reading={"M3": stepped(DAYS * 24, AT - 72, 0.85)})
    frame = hours_of(plant_file(), days=DAYS, seed=SEED, truth=fouled)
    events = tuple(
        Event(at_s=START_S + at_h * HOUR_S, kind=EventKind.CALIBRATION, target=target, value=value)
        for at_h, target, value in ((AT, "M3", "20.4"), (AT + 12, "M1", "6.5"))
    )

    whole, cut = (assessed(plant_file(), healthy_baseline(), frame, events=events, hours=end) for end in (None, hours))

    assert np.array_equal(cut.expected_m3s, whole.expected_m3s[: len(cut.expected_m3s)])
    told_by_then = [finding.id for finding in whole.findings if finding.raised_at_s <= cut.now_s]
    assert [finding.id for finding in cut.findings] == told_by_then


def test_a_baseline_made_before_its_calibration_was_written_down() -> None:
    """The entry is dated into the healthy days, and comes after the commissioning: it is carried all the same."""
    frame = hours_of(plant_file(), days=DAYS, seed=SEED)
    calibration = Event(at_s=START_S + 30 * HOUR_S, kind=EventKind.CALIBRATION, target="M2", value="20")

    known = assessed(plant_file(), healthy_baseline(), frame, events=(calibration,))

    assert known.findings == ()
    usual = healthy_baseline().flow_m3s[1]
    assert known.expected_m3s[[29, 30, AT], 1] == pytest.approx([usual, 0.9 * usual, 0.9 * usual])

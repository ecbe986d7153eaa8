"""Findings of the simulated stories: the right kind and place, in time, with evidence, and gone when they are."""

import pytest

from analysis.assessment import FaultKind, Finding, Status
from analysis.calibration import flow_of
from analysis.events import EventKind
from analysis.frames import HOUR_S
from analysis.timeline import SETTLE_S
from tests.support.simulated_rack import METERS, PLANT, Truth, commissioned, hours_of, plant_file, stepped
from tests.support.simulated_rack import assessed as assess_frame
from tests.support.simulated_stories import (
    AT,
    DAYS,
    HOURS,
    SEED,
    STORIES,
    UNTIL,
    at_s,
    event,
    healthy_baseline,
    told,
)

RACK = plant_file()


def the_finding(name: str) -> Finding:
    """The one finding of a story."""
    findings = told(name).assessment.findings
    assert len(findings) == 1, [(finding.id, finding.summary) for finding in findings]
    return findings[0]


@pytest.mark.parametrize("name", ["healthy", "speed logged"])
def test_nothing_is_found_where_nothing_is_wrong(name: str) -> None:
    """Healthy days, and a pump slowed by 8 % and put back, as the journal says."""
    assert told(name).assessment.findings == ()


@pytest.mark.parametrize(
    ("name", "kind", "subject"),
    [
        ("carbon clogs", FaultKind.RESTRICTION, "carbon"),
        ("uv restricted", FaultKind.RESTRICTION, "uv"),
        ("uv opened", FaultKind.OPENING, "uv"),
        ("pump weaker", FaultKind.SUPPLY, None),
        ("meter dead", FaultKind.METER, "M2"),
        ("media changed", FaultKind.RESTRICTION, "carbon"),
        ("pump stopped", FaultKind.SUPPLY, None),
    ],
)
def test_kind_and_place(name: str, kind: FaultKind, subject: str | None) -> None:
    """The true cause leads."""
    first = the_finding(name).candidates[0]

    assert (first.kind, first.subject) == (kind, subject)


@pytest.mark.parametrize("name", ["uv restricted", "uv opened", "pump weaker", "meter dead", "media changed"])
def test_a_large_step_is_raised_within_hours(name: str) -> None:
    """5 % of the supply or 17 % and more of a branch: within three hours and the time that an hour needs to settle."""
    finding = the_finding(name)

    assert at_s(AT) < finding.raised_at_s <= at_s(AT + 4) + SETTLE_S
    assert finding.onset_low_s <= at_s(AT) + HOUR_S
    assert finding.onset_high_s >= at_s(AT) - HOUR_S
    assert finding.shape == "step"


def test_a_slow_clog_is_raised_before_a_tenth_is_lost() -> None:
    """The carbon loses 10 % of its flow in the first 100 hours of its clogging."""
    finding = the_finding("carbon clogs")

    assert at_s(AT) < finding.raised_at_s < at_s(AT + 100)
    assert finding.shape == "ramp"


@pytest.mark.parametrize(
    ("name", "percent", "within"),
    [("uv restricted", -17.0, 2.5), ("uv opened", 18.0, 2.5), ("pump weaker", -5.4, 1.5), ("carbon clogs", -18.7, 3.0)],
)
def test_the_loss_is_told(name: str, percent: float, within: float) -> None:
    """Per cent of the branch's or the pump's flow by the noise-free plant, within two and a half times the wander."""
    true = _true_change_percent(name)

    assert true == pytest.approx(percent, abs=0.5)
    assert the_finding(name).candidates[0].flow_change_percent == pytest.approx(true, abs=within)


def _true_change_percent(name: str) -> float:
    """What the fault costs in the last hour on the same plant without any noise: of the pump's total or of a meter."""
    frames = [hours_of(RACK, days=DAYS, seed=SEED, truth=truth, noise=0.0) for truth in (STORIES[name][0], Truth())]
    column = {"uv": 1, "carbon": 3}.get(the_finding(name).candidates[0].subject or "")
    flow, base = (flow_of(frame, RACK.plant.meters)[-1] for frame in frames)
    share = flow.sum() / base.sum() if column is None else flow[column] / base[column]
    return float(100.0 * (share - 1.0))


@pytest.mark.parametrize("name", STORIES)
def test_candidates_are_in_order_and_add_up(name: str) -> None:
    """Most probable first, nearly all of the probability listed, every one with plain causes."""
    for finding in told(name).assessment.findings:
        for opinion in finding.history:
            chances = [candidate.probability for candidate in opinion.candidates]
            assert chances == sorted(chances, reverse=True)
            assert 0.9 < sum(chances) <= 1.0 + 1e-9
            assert all(candidate.could_be for candidate in opinion.candidates)


@pytest.mark.parametrize("name", STORIES)
def test_history_goes_from_the_raising_to_now(name: str) -> None:
    """The first opinion was had when the finding was raised, the last one is the finding's own."""
    for finding in told(name).assessment.findings:
        times = [opinion.at_s for opinion in finding.history]
        assert times[0] == finding.raised_at_s
        assert times == sorted(set(times))
        assert finding.history[-1].candidates == finding.candidates


@pytest.mark.parametrize("name", STORIES)
def test_unknowable_causes_stand_together(name: str) -> None:
    """Impeller, trunk and speed are one candidate, and so are media and valve of a branch: never one without other."""
    for finding in told(name).assessment.findings:
        for candidate in finding.candidates:
            causes = " ".join(candidate.could_be)
            if candidate.kind is FaultKind.SUPPLY and finding.status is not Status.FAILURE and "power" not in causes:
                assert all(word in causes for word in ("impeller", "trunk", "speed"))
            if candidate.kind is FaultKind.RESTRICTION:
                assert "valve" in causes
                assert ("granular carbon" in causes) == (candidate.subject == "carbon")


def test_a_small_branch_is_not_told_from_its_meter() -> None:
    """While the carbon has lost little, its meter stays among the candidates: 6 % of the pump's flow is too little."""
    first = the_finding("carbon clogs").history[0].candidates

    assert {(candidate.kind, candidate.subject) for candidate in first} >= {
        (FaultKind.RESTRICTION, "carbon"),
        (FaultKind.METER, "M4"),
    }


def test_evidence_shows_every_meter() -> None:
    """What was measured over the last day lies in its own interval, about what the cause would give."""
    evidence = the_finding("uv restricted").evidence

    assert tuple(row.meter for row in evidence) == METERS
    for row in evidence:
        assert row.low_percent < row.measured_percent < row.high_percent
        assert row.low_percent - 2.0 < row.expected_percent < row.high_percent + 2.0
    uv = evidence[1]
    assert uv.high_percent < -10.0


def test_status_goes_by_what_it_is() -> None:
    """NAMUR NE 107 in words: a dead meter fails, a step is out of specification, a drift wants maintenance."""
    names = ("meter dead", "uv restricted", "carbon clogs")
    expected = (Status.FAILURE, Status.OUT_OF_SPECIFICATION, Status.MAINTENANCE_REQUIRED)

    assert tuple(the_finding(name).status for name in names) == expected


def test_open_findings_are_not_good() -> None:
    """And a cleared one is."""
    for name in STORIES:
        for finding in told(name).assessment.findings:
            assert (finding.status is Status.GOOD) == (finding.cleared_at_s is not None)


def test_new_media_clear_the_finding() -> None:
    """Within a day of the change; what it gained is told, with the job from the journal."""
    finding = the_finding("media changed")
    (recovery,) = told("media changed").assessment.recoveries

    assert finding.cleared_at_s is not None
    assert at_s(UNTIL) < finding.cleared_at_s <= at_s(UNTIL + 24)
    assert recovery.at_s == finding.cleared_at_s
    assert (recovery.subject, recovery.job) == ("carbon", "media_changed")
    assert recovery.now_percent_of_commissioned == pytest.approx(100.0, abs=3.0)
    lost = 100.0 + finding.candidates[0].flow_change_percent
    assert recovery.gain_percent == pytest.approx(100.0 * recovery.now_percent_of_commissioned / lost - 100.0, abs=0.1)


def test_a_recovery_without_a_word_is_said_to_be_so() -> None:
    """Nothing in the journal: the finding clears all the same, and the job is not known."""
    story = told("media changed")

    found = assess_frame(story.rack, story.baseline, story.frame)

    (finding,) = found.findings
    (recovery,) = found.recoveries
    assert finding.cleared_at_s is not None
    assert recovery.job == "not in the journal"


def test_a_settled_change_that_goes_is_cleared() -> None:
    """A week old, long the new normal, and undone without a word: no second finding of the opposite kind."""
    truth = Truth(resistance={"uv": stepped(HOURS, 200, 1.5, until_h=390)})
    frame = hours_of(RACK, days=DAYS, seed=SEED, truth=truth)

    (finding,) = assess_frame(RACK, healthy_baseline(), frame).findings

    assert finding.cleared_at_s is not None
    assert at_s(390) < finding.cleared_at_s <= at_s(390 + 24)


def test_a_valve_set_in_the_journal_is_no_finding() -> None:
    """The keeper throttles the uv by 17 % and writes it down."""
    story = told("uv restricted")
    entry = event(AT, EventKind.MAINTENANCE, "uv", "valve_set")

    assert assess_frame(story.rack, story.baseline, story.frame, events=(entry,)).findings == ()


def test_a_stopped_pump_is_a_failure_while_it_lasts() -> None:
    """Known two hours after it stopped; exact, since the meters themselves say so."""
    story = told("pump stopped")

    (standing,) = assess_frame(story.rack, story.baseline, story.frame, hours=AT + 4).findings
    over = the_finding("pump stopped")

    assert standing.status is Status.FAILURE
    assert standing.cleared_at_s is None
    assert standing.raised_at_s == over.raised_at_s == at_s(AT + 2) + SETTLE_S
    assert standing.id == over.id
    assert over.cleared_at_s == at_s(AT + 6) + SETTLE_S
    assert "power" in standing.action


def test_an_hour_off_is_a_pause() -> None:
    """One hour without flow is normal life."""
    frame = hours_of(RACK, days=DAYS, seed=SEED, truth=Truth(off_h=frozenset({AT})))

    assert assess_frame(RACK, healthy_baseline(), frame).findings == ()


def test_a_second_fault_is_found_beside_the_first() -> None:
    """The uv is nudged when the carbon has long been restricted; both stand."""
    at = 200 + 150
    truth = Truth(resistance={"carbon": stepped(HOURS, 200, 1.7), "uv": stepped(HOURS, at, 1.4)})
    frame = hours_of(RACK, days=DAYS, seed=SEED, truth=truth)

    first, second = assess_frame(RACK, healthy_baseline(), frame).findings

    assert (first.candidates[0].kind, first.candidates[0].subject) == (FaultKind.RESTRICTION, "carbon")
    assert (second.candidates[0].kind, second.candidates[0].subject) == (FaultKind.RESTRICTION, "uv")
    assert at_s(at) < second.raised_at_s <= at_s(at + 4) + SETTLE_S
    assert first.cleared_at_s is None
    assert second.cleared_at_s is None


def test_ids_name_the_hour_and_the_place() -> None:
    """Stable for the same readings, and distinct."""
    finding = the_finding("uv restricted")

    assert finding.id.startswith("2026-09-11T0")
    assert finding.id.endswith("-uv")


def test_a_journalled_pause_is_no_stop_until_it_is_over() -> None:
    """Three hours of maintenance are announced; a pump that stays off after them is told."""
    story = told("pump stopped")
    announced = event(AT, EventKind.FEED_PAUSE, "pump", "300")
    forgotten = event(AT, EventKind.FEED_PAUSE, "pump", "120")

    assert assess_frame(story.rack, story.baseline, story.frame, events=(announced,)).findings == ()
    (finding,) = assess_frame(story.rack, story.baseline, story.frame, events=(forgotten,)).findings
    assert finding.raised_at_s == at_s(AT + 4) + SETTLE_S


def test_a_lone_meter_without_flow_may_be_dead() -> None:
    """One meter cannot tell a stopped pump from its own stuck rotor: both are named."""
    text = PLANT
    for name in METERS[1:]:
        text = text.replace(f'meter = "{name}"\n', "")
    text = text[: text.index('[[meter]]\nname = "M2"')]
    rack = plant_file(text)
    frame = hours_of(rack, days=DAYS, seed=SEED, truth=Truth(off_h=frozenset(range(AT, AT + 5))))

    (finding,) = assess_frame(rack, commissioned(rack, frame), frame).findings

    assert [(one.kind, one.subject) for one in finding.candidates] == [
        (FaultKind.SUPPLY, None),
        (FaultKind.METER, "M1"),
    ]
    assert sum(one.probability for one in finding.candidates) == pytest.approx(1.0)
    assert "Meter M1 shows no flow" in finding.summary

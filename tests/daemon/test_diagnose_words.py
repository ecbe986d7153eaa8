"""What the diagnosis says, read as a keeper reads it."""

import functools
from dataclasses import replace

from analysis.assessment import Assessment
from analysis.report.content import Verdict, gather
from daemon.diagnose_words import WIDTH, lines_of
from tests.support.simulated_rack import Truth, assessed, hours_of, plant_file, stepped
from tests.support.simulated_stories import AT, DAYS, SEED, STORIES, healthy_baseline, told

RACK = plant_file()


@functools.cache
def dead_meter() -> Assessment:
    """M4 stops counting while its branch flows on."""
    truth = Truth(reading={"M4": stepped(DAYS * 24, AT, 0.0)})
    return assessed(RACK, healthy_baseline(), hours_of(RACK, days=DAYS, seed=SEED, truth=truth))


def test_a_dead_meter_says_nothing_of_its_branch() -> None:
    """Neither that it is below its target, nor by how much to the tenth of a per cent."""
    (row,) = (line for line in lines_of(RACK.plant, dead_meter()) if line.startswith("carbon  "))
    said = "\n".join(lines_of(RACK.plant, dead_meter()))

    assert "330 to 700 L/h: IN DOUBT" in row
    assert "BELOW" not in said
    assert "Meter M4 shows next to nothing of what flows there: meter M4 reads wrong" in said
    assert "next to nothing is shown; likeliest" in said


def test_the_report_doubts_it_too() -> None:
    """It is on no side of its target, and not among those that are judged."""
    content = gather(RACK, dead_meter(), (), (), week=None)

    assert {line.name: line.verdict for line in content.branches}["carbon"] is Verdict.IN_DOUBT


def test_an_hour_that_is_sure_is_told_once() -> None:
    """And a sole cause is not said twice."""
    (finding,) = dead_meter().findings
    sure = replace(finding, onset_low_s=finding.onset_s, onset_high_s=finding.onset_s)
    said = list(lines_of(RACK.plant, replace(dead_meter(), findings=(sure,))))

    (since,) = (line for line in said if line.startswith("  Since "))
    assert "between" not in since
    assert sum("reads wrong" in line for line in said) == 1
    assert any(line.startswith("  It could be a stuck or broken rotor") for line in said)


def test_lines_fit_a_terminal() -> None:
    """Whatever the story; no figure is less than nothing."""
    for name in STORIES:
        for line in lines_of(RACK.plant, told(name).assessment):
            assert len(line) <= WIDTH, line
            assert "-0.0" not in line
            assert "+0.0" not in line

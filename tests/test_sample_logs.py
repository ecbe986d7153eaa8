"""Every sample log, through the command line from end to end, gives the finding that its story promises.

The logs come from the EPANET engine and a meter model (tests/stories), not from the project's own solver.
"""

import datetime as dt
import functools
import json
import subprocess
import sys
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

SAMPLE_LOGS = Path(__file__).parents[1] / "sample_logs"
PLANT = SAMPLE_LOGS / "lagoon_rack.toml"
LISTED: dict[str, dict[str, Any]] = {
    entry["name"]: entry for entry in tomllib.loads((SAMPLE_LOGS / "stories.toml").read_text())["story"]
}
FAULTY = [name for name, entry in LISTED.items() if "finding" in entry]
CUT_SHORT_LINES = 2  # in each log, see tests/stories/counter.py


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What the command line said about one story."""

    loaded: dict[str, Any]
    diagnosis: dict[str, Any]
    exit_code: int


def clearbore(*words: str) -> subprocess.CompletedProcess[str]:
    """Run one command."""
    return subprocess.run([sys.executable, "-P", "-m", "daemon", *words], capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def outcome_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Outcome]:
    """Load, commission and diagnose a story; each story once."""

    @functools.cache
    def outcome(name: str) -> Outcome:
        entry = LISTED[name]
        db = str(tmp_path_factory.mktemp(name) / "rack.db")
        events = ("--events", str(SAMPLE_LOGS / entry["events"])) if "events" in entry else ()
        loaded = clearbore("load", str(PLANT), str(SAMPLE_LOGS / entry["log"]), *events, "--db", db, "--json")
        assert loaded.returncode == 0, loaded.stderr
        up_to = entry["commission_to"].strftime("%Y-%m-%dT%H:%M:%SZ")
        commissioned = clearbore("commission", str(PLANT), "--db", db, "--to", up_to)
        assert commissioned.returncode == 0, commissioned.stderr
        diagnosed = clearbore("diagnose", str(PLANT), "--db", db, "--json")
        assert diagnosed.returncode in {0, 1}, diagnosed.stderr
        return Outcome(
            loaded=json.loads(loaded.stdout),
            diagnosis=json.loads(diagnosed.stdout),
            exit_code=diagnosed.returncode,
        )

    return outcome


def time_of(text: str) -> dt.datetime:
    """A time of the JSON output."""
    return dt.datetime.fromisoformat(text)


def the_finding(outcome: Outcome) -> dict[str, Any]:
    """The one finding, which is all there may be."""
    findings: list[dict[str, Any]] = outcome.diagnosis["findings"]
    assert len(findings) == 1, [(found["id"], found["candidates"][0]) for found in findings]
    return findings[0]


def is_promised(candidate: dict[str, Any], causes: list[dict[str, str]]) -> bool:
    """Whether a candidate is one of the causes that the story allows to lead."""
    return any((candidate["kind"], candidate["subject"]) == (c["kind"], c.get("subject")) for c in causes)


def test_a_healthy_rack_gives_no_finding(outcome_of: Callable[[str], Outcome]) -> None:
    """Pauses, a power cut, a restart, unheard hours and a pump slowed on purpose are no finding, and no alarm."""
    outcome = outcome_of("healthy")
    assert outcome.diagnosis["findings"] == []
    assert outcome.exit_code == 0


@pytest.mark.parametrize("name", list(LISTED))
def test_lines_that_were_cut_short_are_counted(outcome_of: Callable[[str], Outcome], name: str) -> None:
    """Each log holds two lines cut short: they are refused and counted, and no other line is."""
    (log,) = outcome_of(name).loaded["logs"]
    assert sum(log["rejected"].values()) == CUT_SHORT_LINES
    assert log["damage"] is None


@pytest.mark.parametrize("name", FAULTY)
def test_the_finding_comes_after_the_onset_and_in_time(outcome_of: Callable[[str], Outcome], name: str) -> None:
    """The finding is raised between the fault's onset and the hour that the story names."""
    promised = LISTED[name]["finding"]
    raised_at = time_of(the_finding(outcome_of(name))["raised_at"])
    assert promised["onset"] < raised_at <= promised["raised_before"]


@pytest.mark.parametrize("name", FAULTY)
def test_a_promised_cause_leads_the_list(outcome_of: Callable[[str], Outcome], name: str) -> None:
    """A cause that the story promises leads at the end, and those promised hold nine tenths of the probability."""
    causes = LISTED[name]["finding"]["causes"]
    candidates = the_finding(outcome_of(name))["candidates"]
    assert is_promised(candidates[0], causes)
    assert sum(candidate["probability"] for candidate in candidates if is_promised(candidate, causes)) >= 0.9


@pytest.mark.parametrize("name", [name for name in FAULTY if "flow_change_percent" in LISTED[name]["finding"]])
def test_the_loss_is_told_in_size(outcome_of: Callable[[str], Outcome], name: str) -> None:
    """What the leading cause has cost by the log's end lies within the story's bounds."""
    low, high = LISTED[name]["finding"]["flow_change_percent"]
    assert low <= the_finding(outcome_of(name))["candidates"][0]["flow_change_percent"] <= high


@pytest.mark.parametrize("name", FAULTY)
def test_a_finding_ends_when_its_cause_does(outcome_of: Callable[[str], Outcome], name: str) -> None:
    """A finding stands to the end of the log and is an active alarm, unless the story says when it is over."""
    promised = LISTED[name]["finding"]
    outcome = outcome_of(name)
    cleared_at = the_finding(outcome)["cleared_at"]
    if "cleared_before" not in promised:
        assert cleared_at is None
        assert outcome.exit_code == 1
    else:
        assert promised["cleared_after"] <= time_of(cleared_at) <= promised["cleared_before"]
        assert outcome.exit_code == 0

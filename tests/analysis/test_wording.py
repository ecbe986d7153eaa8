"""Findings in plain words."""

import pytest

from analysis.assessment import Candidate, FaultKind, Status
from analysis.wording import action, could_be, headline, place, status_of
from tests.support.simulated_rack import plant_file

PLANT = plant_file().plant


def candidate(kind: FaultKind, subject: str | None, *, probability: float = 0.7, percent: float = -20.0) -> Candidate:
    """A candidate without its causes."""
    return Candidate(
        kind=kind, subject=subject, probability=probability, flow_change_percent=percent, could_be=("something",)
    )


CARBON = candidate(FaultKind.RESTRICTION, "carbon")
METER = candidate(FaultKind.METER, "M4", probability=0.3)
PUMP = candidate(FaultKind.SUPPLY, None, percent=-8.0)


@pytest.mark.parametrize("sudden", [True, False])
@pytest.mark.parametrize("size", [-0.1, -2.0])
def test_a_weak_supply_names_all_that_it_could_be(size: float, sudden: bool) -> None:  # noqa: FBT001 - a case
    """Impeller, trunk and speed have one pattern: no report names one of them alone."""
    causes = could_be(PLANT, FaultKind.SUPPLY, None, size=size, sudden=sudden)

    assert [word for word in ("impeller", "trunk", "speed") if any(word in cause for cause in causes)] == [
        "impeller",
        "trunk",
        "speed",
    ]


@pytest.mark.parametrize("sudden", [True, False])
def test_a_restriction_names_media_and_valve(sudden: bool) -> None:  # noqa: FBT001 - a case
    """Steady flow does not tell them apart; the order is what the growth makes likely, and all are there."""
    causes = could_be(PLANT, FaultKind.RESTRICTION, "carbon", size=-0.2, sudden=sudden)

    assert {"clogged granular carbon", "a valve turned toward shut"} < set(causes)
    assert (causes[0] == "a valve turned toward shut") == sudden


def test_a_branch_without_media_cannot_clog_with_them() -> None:
    """The uv has none."""
    causes = could_be(PLANT, FaultKind.RESTRICTION, "uv", size=-0.2, sudden=False)

    assert not any("clogged" in cause for cause in causes)


def test_an_opening_may_be_a_leak() -> None:
    """Said first of all to be looked at, since it floods."""
    assert any("hose" in cause for cause in could_be(PLANT, FaultKind.OPENING, "uv", size=0.2, sudden=True))
    assert "leak" in action(PLANT, (candidate(FaultKind.OPENING, "uv", percent=20.0),))


@pytest.mark.parametrize(("size", "word"), [(-3.9, "stuck"), (-0.2, "reads low"), (0.2, "bubbles")])
def test_a_wrong_meter_by_its_size(size: float, word: str) -> None:
    """Dead, low or high."""
    assert any(word in cause for cause in could_be(PLANT, FaultKind.METER, "M2", size=size, sudden=True))


@pytest.mark.parametrize("kind", FaultKind)
def test_every_kind_has_its_words(kind: FaultKind) -> None:
    """A place, causes, a headline and something to do."""
    subject = {FaultKind.SUPPLY: None, FaultKind.METER: "M2"}.get(kind, "uv")
    one = candidate(kind, subject)

    assert subject is None or subject in place(kind, subject)
    assert could_be(PLANT, kind, subject, size=-0.2, sudden=True)
    assert headline((one,)).endswith("(70 %).")
    assert action(PLANT, (one,))


def test_headline_says_how_sure_and_what_else() -> None:
    """Size, cause and the runner-up."""
    text = headline((CARBON, METER))

    assert text == "carbon gets 20 % less flow: carbon is restricted (70 %), or meter M4 reads wrong (30 %)."


def test_near_certain_is_not_certain() -> None:
    """Nobody is told 100 %."""
    assert "over 99 %" in headline((candidate(FaultKind.SUPPLY, None, probability=0.9999),))


def test_a_bucket_decides_between_branch_and_meter() -> None:
    """One place, two causes: the test that tells them apart."""
    assert "bucket test at the carbon outlet" in action(PLANT, (CARBON, METER))


def test_a_rival_elsewhere_is_the_second_step() -> None:
    """Two places: first the one, then the other."""
    text = action(PLANT, (CARBON, PUMP))

    assert text.index("carbon") < text.index("If that is not it") < text.index("impeller")


def test_a_restriction_and_an_opening_of_one_branch_need_no_bucket() -> None:
    """They are at one place, and no meter is in doubt."""
    assert "bucket" not in action(PLANT, (CARBON, candidate(FaultKind.OPENING, "carbon", probability=0.2)))


def test_work_on_the_pump_begins_with_its_plug() -> None:
    """Water and mains: the caution comes first."""
    assert action(PLANT, (PUMP,)).startswith("Unplug the pump")


@pytest.mark.parametrize(
    ("one", "sudden", "status"),
    [
        (candidate(FaultKind.METER, "M2", percent=-98.0), True, Status.FAILURE),
        (candidate(FaultKind.METER, "M2", percent=-10.0), False, Status.MAINTENANCE_REQUIRED),
        (CARBON, False, Status.MAINTENANCE_REQUIRED),
        (CARBON, True, Status.OUT_OF_SPECIFICATION),
        (PUMP, True, Status.OUT_OF_SPECIFICATION),
    ],
)
def test_status(one: Candidate, sudden: bool, status: Status) -> None:  # noqa: FBT001 - a case
    """NAMUR NE 107: failed, out of specification, or wanting maintenance."""
    assert status_of(one, sudden=sudden) is status

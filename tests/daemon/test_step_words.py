"""A step of the speed in words: a gauge is no meter."""

from analysis.assessment import FaultKind
from analysis.step_causes import causes_of
from config.plant import GaugeKind
from daemon.step_words import cause_words, to_do, verdict
from tests.support.stepped_rack import HEALTHY, candidate, read

HEADER = {"header": GaugeKind.PRESSURE}


def test_a_gauge_is_called_one() -> None:
    """Of a plant's instruments each is called what it is."""
    causes = causes_of([candidate(FaultKind.METER, name, 0.5, -9.0) for name in ("M1", "header")], HEADER)

    assert [cause_words(cause) for cause in causes] == ["meter M1 reads wrong", "gauge header reads wrong"]


def test_what_to_do_about_a_gauge() -> None:
    """A bucket says nothing of a pressure."""
    reading = read(HEALTHY, causes_of([candidate(FaultKind.METER, "header", 0.9, -9.0)], HEADER))

    assert "gauge header reads wrong" in verdict(reading)
    assert to_do(reading).startswith("Check gauge header: its tap")


def test_what_to_do_about_a_power_that_moves_alone() -> None:
    """It may be the motor, which is looked at with the plug out."""
    mains = {"mains": GaugeKind.POWER}
    reading = read(HEALTHY, causes_of([candidate(FaultKind.METER, "mains", 0.9, 12.0)], mains))

    assert "gauge mains reads wrong or the motor has changed" in verdict(reading)
    assert "unplug the pump" in to_do(reading)

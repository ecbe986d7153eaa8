"""Numbers, times and sentences of the report."""

import math
import zoneinfo

import pytest

from analysis.assessment import Candidate, FaultKind, Status
from analysis.events import Event, EventKind
from analysis.report import words
from analysis.signatures import Fault
from config.plant import Meter, Target

LITRE_PER_H = 1e-3 / 3600
NBSP = "\N{NO-BREAK SPACE}"


@pytest.mark.parametrize(
    ("value", "text"),
    [(99.97, "over 99 %"), (100, "100 %"), (0.2, "under 1 %"), (0, "0 %"), (73.4, "73 %"), (math.nan, "unknown")],
)
def test_certainty_is_never_rounded_up(value: float, text: str) -> None:
    """Only what is 100 is shown as 100, only what is 0 as 0."""
    assert words.percent(value) == text.replace(" %", f"{NBSP}%")


def test_ratio_is_rounded() -> None:
    """A flow compared with its commissioned level is no certainty: 99.7 % of it is shown as 100 %."""
    assert words.ratio(0.997, 1.0) == f"100{NBSP}%"
    assert words.ratio(math.nan, 1.0) == words.ratio(1.0, 0.0) == words.ratio(1.0, math.nan) == "unknown"


@pytest.mark.parametrize(
    ("value", "text"), [(-29.44, "\N{MINUS SIGN}29.4"), (0.04, "0"), (-0.04, "0"), (6, "+6.0"), (math.nan, "unknown")]
)
def test_change_carries_its_sign(value: float, text: str) -> None:
    """A change has a sign and one decimal, and no sign where it is none."""
    assert words.signed(value) == text


def test_nothing_inferred_is_certain() -> None:
    """A probability that comes out as 1 or 0 is not told as 100 % or 0 %."""
    assert words.sureness(1.0) == f"almost certain (over 99{NBSP}%)"
    assert words.sureness(0.0) == f"unlikely (under 1{NBSP}%)"


@pytest.mark.parametrize(
    ("probability", "word"),
    [(0.97, "almost certain"), (0.8, "very likely"), (0.79, "likely"), (0.3, "possible"), (0.05, "unlikely")],
)
def test_probability_has_word_and_number(probability: float, word: str) -> None:
    """The word follows the number by a fixed scale."""
    assert words.sureness(probability).startswith(f"{word} (")


def test_moment_is_local() -> None:
    """2026-11-23T00:30Z is still Sunday, 23:30, on the Azores."""
    assert words.moment(1795393800, zoneinfo.ZoneInfo("Atlantic/Azores")) == "Sun 22 Nov 2026, 23:30"


@pytest.mark.parametrize(
    ("target", "text"),
    [
        (None, "none set"),
        (Target(), "none set"),
        (Target(low_m3s=220 * LITRE_PER_H), "at least 220 L/h"),
        (Target(high_m3s=420 * LITRE_PER_H), "at most 420 L/h"),
        (Target(low_m3s=220 * LITRE_PER_H, high_m3s=420 * LITRE_PER_H), "220 to 420 L/h"),
    ],
)
def test_target_says_which_bound_it_has(target: Target | None, text: str) -> None:
    """A missing bound is not shown as a number."""
    assert words.target(target, "L/h") == text


def test_flow_follows_the_keepers_unit() -> None:
    """1,000 L/h are 264 US gal/h (1 US gal = 3.785411784 L, NIST SP 811, appendix B)."""
    assert words.flow(1000 * LITRE_PER_H, "gal/h") == "264 gal/h"
    assert words.flow(math.nan, "gal/h") == "no reading"


def test_every_status_is_explained_and_signed() -> None:
    """No status is told by its colour alone, and each has a meaning and a rank."""
    assert set(words.STATUS_MEANING) == set(words.STATUS_SIGN) == set(words.STATUS_ORDER) == set(Status)
    assert len(set(words.STATUS_SIGN.values())) == len(Status)


@pytest.mark.parametrize("kind", list(FaultKind))
def test_every_cause_has_words(kind: FaultKind) -> None:
    """Every kind of fault is a sentence that names its size, and its subject where it has one."""
    subject = None if kind is FaultKind.SUPPLY else "carbon"
    candidate = Candidate(kind=kind, subject=subject, probability=0.5, flow_change_percent=-12.0, could_be=())
    said = words.cause(candidate)

    assert "12.0" in said
    assert ("carbon" in said) == (subject is not None)


@pytest.mark.parametrize("kind", list(FaultKind))
def test_every_fault_has_words(kind: FaultKind) -> None:
    """The name of a fault of the isolability, for people, with the subject's own writing left alone."""
    named = Fault(kind=kind, subject=None if kind is FaultKind.SUPPLY else "meter:2").name
    said = words.fault(named)

    assert ("meter:2" in said) == (kind is not FaultKind.SUPPLY)
    assert named not in said


@pytest.mark.parametrize(
    ("kind", "value", "text"),
    [
        (EventKind.MAINTENANCE, "media_changed", "media changed"),
        (EventKind.PUMP_SPEED, "80", "pump speed set to 80 %"),
        (EventKind.FEED_PAUSE, "10", "feed pause of 10 min"),
        (EventKind.CALIBRATION, "452.5", "calibrated to 452.5 pulses per litre"),
    ],
)
def test_every_event_has_words(kind: EventKind, value: str, text: str) -> None:
    """A journal entry reads as what was done."""
    assert words.event(Event(at_s=0.0, kind=kind, target="x", value=value)) == text


def test_control_characters_are_replaced() -> None:
    """NUL, bell and lone surrogates can stand in no page; letters of any script stay."""
    assert words.clean("a\x00b\x07c\ud800 سخان 🐠") == "a\ufffdb\ufffdc\ufffd سخان 🐠"


def test_k_factor_in_force() -> None:
    """The journal's calibration goes before the plant file's factor; a table shows its range."""
    table = Meter(name="M1", k_points=((0.0001, 440.0), (0.0003, 455.0)))
    plain = Meter(name="M1", k_points=((0.0, 450.0),))

    assert words.k_factor(plain, None) == "450 pulses/L"
    assert words.k_factor(plain, "452.5") == "452.5 pulses/L, from the journal"
    assert words.k_factor(table, None) == "440 to 455 pulses/L, a table of 2 points"

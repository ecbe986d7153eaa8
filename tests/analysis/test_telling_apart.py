"""What a plant's meters can tell apart, in order: on the simulated rack, with fewer meters, and on made-up tables.

Which pairs are hard is told by the table of the theory: a branch of less than a twentieth of the pump's flow is never
told from its own meter, the members of the supply never from each other (structural isolability: Blanke et al.,
Diagnosis and Fault-Tolerant Control); the hours themselves are tested in test_isolability.
"""

import functools
import itertools
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.assessment import FaultKind, Isolability
from analysis.telling_apart import ToldApart, _alike, kind_and_subject, told_apart
from config.plant import Plant
from tests.support.simulated_rack import plant_file
from tests.support.simulated_stories import healthy_baseline

RACK = plant_file().plant
NAMES = tuple("abcdefg")
PAIRS = tuple(itertools.combinations(NAMES, 2))


def with_meters(*meters: str) -> Plant:
    """The rack with these meters alone."""
    return replace(
        RACK,
        runs=tuple(replace(run, meter=run.meter if run.meter in meters else None) for run in RACK.runs),
        meters=tuple(meter for meter in RACK.meters if meter.name in meters),
    )


@functools.cache
def of_rack(*meters: str) -> ToldApart:
    """By the plant file and a usual noise, with all meters or these alone."""
    return told_apart(with_meters(*meters) if meters else RACK, None)


def hours(apart: ToldApart) -> dict[frozenset[str], float | None]:
    """By pair."""
    return {frozenset((pair.first, pair.second)): pair.hours for pair in apart.pairs}


def test_a_small_branch_looks_like_its_meter() -> None:
    """And nothing else on a rack with a meter on every branch does; a bucket test decides, or a meter on the header."""
    apart = of_rack()
    (group, *rest) = apart.alike

    assert group.faults == ("restriction:carbon", "meter:M4")
    assert (group.outlets, group.bucket_decides) == (("carbon",), True)
    assert [other.faults for other in rest] in ([], [("opening:carbon", "meter:M4")])
    assert apart.unseen == ()
    assert not apart.commissioned


def test_one_more_meter_is_tried_on_every_run_that_has_none() -> None:
    """What is said to decide does: with that meter the pair is told apart in that time."""
    (group, *_) = of_rack().alike
    for decider in group.meters:
        assert decider.run in {"riser", "header"}
        more = replace(
            RACK,
            runs=tuple(replace(run, meter="MX") if run.name == decider.run else run for run in RACK.runs),
            meters=(*RACK.meters, replace(RACK.meters[0], name="MX")),
        )
        assert hours(told_apart(more, None))[frozenset(group.faults)] == decider.hours


def test_the_soonest_meter_comes_first() -> None:
    """A keeper buys one."""
    for group in (*of_rack().alike, *of_rack("M1", "M2").alike):
        assert [meter.hours for meter in group.meters] == sorted(meter.hours for meter in group.meters)


def test_unmetered_branches_look_alike() -> None:
    """Two of them behind one tee move the metered flows in nearly the same pattern; a bucket tells which."""
    apart = of_rack("M1", "M2")
    both = [group for group in apart.alike if {"opening:scrubber", "opening:carbon"} <= set(group.faults)]

    assert both
    assert all({"scrubber", "carbon"} <= set(group.outlets) for group in both)


def test_a_small_branch_without_a_meter_is_not_seen() -> None:
    """A fifth of a branch that takes a twentieth of the pump's flow is lost in the others' noise."""
    apart = of_rack("M1", "M2")

    assert apart.unseen == ("restriction:carbon",)
    assert not any("restriction:carbon" in group.faults for group in apart.alike)


def test_a_dry_branch_is_no_riddle() -> None:
    """An outlet higher than the pump lifts: named, without a warning, and in no list."""
    high = replace(RACK, runs=tuple(replace(run, outlet_m=9.0) if run.name == "return" else run for run in RACK.runs))
    apart = told_apart(high, None)

    assert apart.dry == ("return",)
    assert apart.unseen == ()
    assert not any("return" in name for group in apart.alike for name in group.faults)


def test_one_meter_tells_next_to_nothing() -> None:
    """A loss there may be the branch, the supply or the meter, and a bucket speaks of the meter alone."""
    apart = of_rack("M1")
    (lost,) = (group for group in apart.alike if "restriction:return" in group.faults)

    assert {"restriction:return", "supply:pump", "meter:M1"} <= set(lost.faults)
    assert not lost.bucket_decides


def test_the_commissioned_plant_counts_where_it_is_known() -> None:
    """Its own noise instead of the usual one."""
    known = healthy_baseline()
    quiet = replace(known, noise=replace(known.noise, wander_sd=known.noise.wander_sd / 3))
    own = told_apart(RACK, quiet)

    assert own.commissioned
    assert [(pair.first, pair.second) for pair in own.pairs] == [(p.first, p.second) for p in of_rack().pairs]
    assert hours(own) != hours(of_rack())


def test_tries_are_told() -> None:
    """For a bar: how many of how many."""
    seen: list[tuple[int, int]] = []
    told_apart(RACK, None, tell=lambda done, total: seen.append((done, total)))

    assert seen == [(1, 2), (2, 2)]


@given(never=st.sets(st.sampled_from(PAIRS)))
def test_groups_are_the_largest_of_which_no_pair_is_told_apart(never: set[tuple[str, str]]) -> None:
    """As found by trying every group."""
    pairs = [Isolability(first=a, second=b, hours=None if (a, b) in never else 1.0) for a, b in PAIRS]
    alike = [
        set(group)
        for size in range(2, len(NAMES) + 1)
        for group in itertools.combinations(NAMES, size)
        if all(pair in never for pair in itertools.combinations(group, 2))
    ]
    largest = [group for group in alike if not any(group < other for other in alike)]
    found = _alike(pairs, NAMES)

    assert sorted(map(sorted, found)) == sorted(map(sorted, largest))
    assert all(list(group) == sorted(group) for group in found)


@pytest.mark.parametrize(
    ("name", "kind", "subject"),
    [("restriction:tee: 2", FaultKind.RESTRICTION, "tee: 2"), ("supply:pump", FaultKind.SUPPLY, None)],
)
def test_names_are_taken_apart(name: str, kind: FaultKind, subject: str | None) -> None:
    """A run's name may hold a colon."""
    assert kind_and_subject(name) == (kind, subject)

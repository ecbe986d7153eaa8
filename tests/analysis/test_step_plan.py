"""Plans of steps on the simulated rack: what they harm, what they decide, and that what they promise comes true."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment import FaultKind, Isolability, SupplyPart
from analysis.step_causes import Cause, causes_of
from analysis.step_plan import PairOdds, RunState, StepOption, StepPlan, Wanted, example_groups, plan_steps
from analysis.step_reading import MadeStep, found_of
from config.plant import Target
from tests.support.example_plants import with_run
from tests.support.simulated_rack import plant_file
from tests.support.simulated_stories import healthy_baseline
from tests.support.stepped_rack import (
    BEGIN_S,
    HEALTHY,
    TRUNK,
    candidate,
    flows_m3s,
    made,
    read,
    step_at,
    supply,
    total_change,
)

PLANT = plant_file().plant
TO = (0.9, 0.8, 0.6)


def planned(
    groups: tuple[tuple[Cause, ...], ...],
    *,
    to: tuple[float, ...] = TO,
    seconds: float = 600.0,
    references: tuple[MadeStep, ...] = (),
    low_m3s: float | None = None,
) -> StepPlan:
    """A plan from full speed."""
    plant = PLANT if low_m3s is None else with_run(PLANT, "scrubber", target=Target(low_m3s=low_m3s))
    baseline = healthy_baseline()
    wanted = Wanted(finding="f", groups=groups, speed=1.0, to=to, seconds=seconds, references=references)
    return plan_steps(plant, found_of(plant, baseline), baseline, wanted)


@pytest.fixture(scope="module")
def weaker() -> StepPlan:
    """For a supply that gives 7 % less."""
    return planned((supply(-7.0),))


def pair_of(option: StepOption, one: SupplyPart, other: SupplyPart) -> PairOdds:
    """The odds between two parts of the supply."""
    (pair,) = [pair for pair in option.pairs if {pair.first.part, pair.second.part} == {one, other}]
    return pair


def test_flows_of_every_metered_branch_by_the_engine(weaker: StepPlan) -> None:
    """As commissioned; EPANET has the same changes."""
    option = weaker.options[1]
    change = flows_m3s(HEALTHY, 0.8) / flows_m3s(HEALTHY, 1.0)

    shown = {run.meter: run.during_m3s / run.before_m3s for run in option.runs if run.meter}

    assert option.speed == 0.8
    assert [shown[meter] for meter in ("M1", "M2", "M3", "M4")] == pytest.approx(change.tolist(), abs=0.01)


def test_steps_are_in_order_of_speed(weaker: StepPlan) -> None:
    """However they were named."""
    assert [option.speed for option in weaker.options] == [0.9, 0.8, 0.6]


def test_a_step_that_stops_the_return_is_not_safe(weaker: StepPlan) -> None:
    """At 60 % with a weak supply the return has no head left: named, and never the best."""
    states = {run.run: run.state for run in weaker.options[2].runs}

    assert states["return"] in {RunState.STILL, RunState.BACKWARD}
    assert not weaker.options[2].safe
    assert weaker.best == 1


def test_a_submerged_return_runs_backward() -> None:
    """Where the pipe ends under water the display drains through it."""
    under = with_run(PLANT, "return", submerged=True)
    baseline = healthy_baseline()
    wanted = Wanted(finding=None, groups=(supply(-7.0),), speed=1.0, to=(0.55,), seconds=600.0, references=())

    option = plan_steps(under, found_of(under, baseline), baseline, wanted).options[0]

    (returning,) = [run for run in option.runs if run.run == "return"]
    assert returning.state is RunState.BACKWARD
    assert returning.during_m3s < 0


def test_a_branch_below_its_target_is_told() -> None:
    """It is no reason not to make the step for ten minutes."""
    before = {run.meter: run.before_m3s for run in planned((supply(-7.0),), to=(0.9,)).options[0].runs}

    option = planned((supply(-7.0),), to=(0.9,), low_m3s=0.95 * before["M3"]).options[0]

    assert {run.run for run in option.runs if run.state is RunState.BELOW} == {"scrubber"}
    assert option.safe


def test_a_larger_step_decides_more(weaker: StepPlan) -> None:
    """Impeller against trunk: hardly at 90 %, more at 80 %."""
    small, large = (pair_of(option, SupplyPart.IMPELLER, SupplyPart.INTAKE) for option in weaker.options[:2])

    assert small.odds < large.odds
    assert small.hopeless
    assert weaker.named_now < weaker.options[0].named < weaker.options[1].named


def test_impeller_and_speed_are_never_promised(weaker: StepPlan) -> None:
    """At no speed: a worn impeller may run just as a slower one."""
    assert all(pair_of(option, SupplyPart.IMPELLER, SupplyPart.SPEED).hopeless for option in weaker.options[:2])


def test_a_small_branch_and_its_meter_are_never_promised() -> None:
    """Both keep their share of the header's head."""
    causes = causes_of(
        [candidate(FaultKind.RESTRICTION, "carbon", 0.6, -14.0), candidate(FaultKind.METER, "M4", 0.4, -14.0)]
    )

    plan = planned((causes,))

    assert all(pair.hopeless for option in plan.options for pair in option.pairs)


def test_an_equal_healthy_step_raises_the_odds(weaker: StepPlan) -> None:
    """And it is said for which speed there is one."""
    first = made(HEALTHY, step_at(BEGIN_S - 3 * 86_400.0))

    plan = planned((supply(-7.0),), references=(first,))

    assert plan.reference == (0.8,)
    pair = (SupplyPart.IMPELLER, SupplyPart.INTAKE)
    assert pair_of(plan.options[1], *pair).odds > 3 * pair_of(weaker.options[1], *pair).odds


def test_a_meter_that_the_healthy_step_did_not_read_adds_nothing() -> None:
    """Neither false sureness nor an error."""
    first = made(HEALTHY, step_at(BEGIN_S - 3 * 86_400.0))
    deaf = replace(first, counts=replace(first.counts, pulses=first.counts.pulses * [0.0, 1.0, 1.0, 1.0]))
    pair = (SupplyPart.IMPELLER, SupplyPart.INTAKE)

    with_it, without = (planned((supply(-7.0),), references=(made,)).options[1] for made in (first, deaf))

    assert pair_of(without, *pair).odds < pair_of(with_it, *pair).odds


def test_what_is_promised_comes_true() -> None:
    """Six steps of a blocked trunk: the log odds against the impeller lie about what was planned.

    Log odds that are L on average scatter by the root of 2 L from step to step: a property of normal likelihoods.
    """
    first = made(HEALTHY, step_at(BEGIN_S - 3 * 86_400.0))
    causes = supply(total_change(TRUNK))
    plan = planned((causes,), to=(0.8,), references=(first,))
    promised = np.log(pair_of(plan.options[0], SupplyPart.IMPELLER, SupplyPart.INTAKE).odds)

    won = [
        np.log(item.odds_against)
        for seed in range(6)
        for item in read(TRUNK, causes, seed=seed, reference=True).causes
        if item.cause.part is SupplyPart.IMPELLER
    ]

    assert np.mean(won) == pytest.approx(promised, abs=np.sqrt(2 * promised))
    assert min(won) > 0


def test_examples_without_a_finding() -> None:
    """The parts of the supply, and each branch that is told from its meter late or never; no other."""
    pairs = (
        Isolability(first="restriction:carbon", second="meter:M4", hours=None),
        Isolability(first="meter:M3", second="restriction:scrubber", hours=120.0),
        Isolability(first="restriction:uv", second="meter:M2", hours=24.0),
        Isolability(first="restriction:return", second="meter:M4", hours=None),
    )

    groups = example_groups(PLANT, pairs)

    assert [{cause.subject for cause in group} for group in groups] == [{None}, {"scrubber", "M3"}, {"carbon", "M4"}]

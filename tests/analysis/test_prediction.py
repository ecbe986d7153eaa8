"""What the prediction says of a plant, beside what the solver found."""

from dataclasses import replace

import pytest

from analysis.hydraulics.network import Conditions, Constants, TeeLaw
from analysis.prediction import PredictedRun, Prediction, Regime, Verdict, predict
from config.plant import Device, Fitting, FittingKind, FixedK, MediaBed, Plant, Run, Target
from tests.support.example_plants import example_plant
from tests.support.manifolds import LPH_M3S, branch, display, pipe, plant_of, riser


def run_of(prediction: Prediction, name: str) -> PredictedRun:
    """The run of this name."""
    return next(run for run in prediction.runs if run.name == name)


def with_target(run: Run, low_l_per_h: float | None, high_l_per_h: float | None) -> Run:
    """The run with a target in L/h."""
    low = None if low_l_per_h is None else low_l_per_h * LPH_M3S
    high = None if high_l_per_h is None else high_l_per_h * LPH_M3S
    return replace(run, target=Target(low_m3s=low, high_m3s=high))


@pytest.fixture
def plant() -> Plant:
    """A return and a reactor of some 900 L/h."""
    return plant_of(riser(), display(), branch("reactor"))


def test_losses_of_each_run_are_its_head_loss(plant: Plant) -> None:
    """Identity: the elements add up to the run."""
    for run in predict(plant).runs:
        assert run.head_loss_m == pytest.approx(sum(loss.head_loss_m for loss in run.losses))


def test_flows_of_the_branches_are_the_pumps(plant: Plant) -> None:
    """Identity: what leaves the pump reaches an outlet."""
    prediction = predict(plant)

    assert sum(run.flow_m3s for run in prediction.runs if run.is_branch) == pytest.approx(prediction.pump_flow_m3s)


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (300.0, 3000.0, Verdict.ON_TARGET),
        (None, 3000.0, Verdict.ON_TARGET),
        (3000.0, None, Verdict.TOO_LOW),
        (None, 300.0, Verdict.TOO_HIGH),
        (None, None, Verdict.NO_TARGET),
    ],
)
def test_verdict(plant: Plant, low: float | None, high: float | None, verdict: Verdict) -> None:
    """A flow is judged by whichever bounds there are; bounds far away leave no doubt."""
    judged = replace(plant, runs=(*plant.runs[:2], with_target(plant.runs[2], low, high)))

    run = run_of(predict(judged), "reactor")

    assert run.verdict is verdict
    assert run.sure


def test_a_bound_within_the_range_leaves_doubt(plant: Plant) -> None:
    """A target whose bound lies just beside the flow gives a verdict that is not sure."""
    flow = run_of(predict(plant), "reactor").flow_m3s / LPH_M3S
    judged = replace(plant, runs=(*plant.runs[:2], with_target(plant.runs[2], 0.99 * flow, None)))

    run = run_of(predict(judged), "reactor")

    assert run.verdict is Verdict.ON_TARGET
    assert not run.sure


def test_the_range_holds_the_flow_and_is_as_wide_as_catalogues_stray(plant: Plant) -> None:
    """A branch is known to some 5 to 25 % (published spread of K between handbooks): its range says as much."""
    run = run_of(predict(plant), "reactor")

    assert run.low_m3s < run.flow_m3s < run.high_m3s
    assert 0.05 < (run.high_m3s - run.low_m3s) / (2.0 * run.flow_m3s) < 0.25


def test_the_range_knows_that_a_pumps_flow_strays_as_well_as_its_head() -> None:
    """A pump that runs all but free gives the flow at the end of its curve, and no factor on its head changes that.

    ISO 9906 allows a small pump 10 % in flow (from memory): a range of 90 % is 1.645 / 2 of that either way.
    """
    free = plant_of(riser(pipe(0.15, 0.1)), branch("wide", pipe(0.15, 0.1), outlet_m=0.0))
    run = run_of(predict(free), "wide")

    assert (run.high_m3s - run.low_m3s) / (2.0 * run.flow_m3s) == pytest.approx(0.10 * 1.645 / 2.0, rel=0.15)


def test_the_same_plant_gives_the_same_figures(plant: Plant) -> None:
    """The draws behind the range are the same each time."""
    assert run_of(predict(plant), "reactor").low_m3s == run_of(predict(plant), "reactor").low_m3s


def test_speed_is_that_of_the_conditions(plant: Plant) -> None:
    """A speed that is asked for is the one reported."""
    assert predict(plant, conditions=Conditions(speed=0.8)).speed == 0.8


def test_labels_are_the_keepers_words() -> None:
    """Pipes with their length, fittings with their count, devices by name."""
    path = (Fitting(kind=FittingKind.TEE_BRANCH), pipe(0.0158), Fitting(kind=FittingKind.ELBOW_90, count=2))
    device = Device(name="carbon reactor", loss=((300.0 * LPH_M3S, 0.4),))
    run = run_of(predict(plant_of(riser(), branch("carbon", *path, device))), "carbon")

    assert [loss.label for loss in run.losses] == ["tee, branch", "pipe, 1.00 m", "2 x 90 elbow", "carbon reactor"]


def test_fast_water_is_said() -> None:
    """More than 1.5 m/s (common practice, no source) is a warning with the figure."""
    run = run_of(predict(plant_of(riser(), branch("jet", pipe(0.0158), FixedK(k=1.0)))), "jet")

    assert run.velocity_m_s > 1.5
    assert any("fast" in warning for warning in run.warnings)


def test_transition_is_said() -> None:
    """A branch at a Reynolds number between 2000 and 4000 is flagged."""
    run = run_of(predict(plant_of(riser(), branch("drip", pipe(0.0158), FixedK(k=3000.0)))), "drip")

    assert run.regime is Regime.TRANSITION
    assert any("laminar" in warning for warning in run.warnings)


def test_a_dry_branch_is_said() -> None:
    """An outlet above the pump's reach gets no water, and the prediction says why that can be."""
    run = run_of(predict(plant_of(riser(), display(), branch("loft", outlet_m=5.0))), "loft")

    assert run.flow_m3s == 0.0
    assert run.regime is Regime.STILL
    assert any("no water" in warning for warning in run.warnings)


def test_running_backward_is_said(plant: Plant) -> None:
    """A slow pump lets the display run backward; the prediction says so."""
    run = run_of(predict(plant, conditions=Conditions(speed=0.4)), "return")

    assert any("backward" in warning for warning in run.warnings)


def test_beyond_the_curve_is_said() -> None:
    """A pump that runs past its last point is flagged."""
    wide = plant_of(riser(pipe(0.06)), branch("spill", pipe(0.06), outlet_m=0.0))

    assert any("beyond" in warning for warning in predict(wide).warnings)


def test_costs_are_of_every_branch(plant: Plant) -> None:
    """Each branch has its costliest elements, on the whole way from the pump, the costliest first."""
    prediction = predict(plant)

    for run in (run for run in prediction.runs if run.is_branch):
        costs = [cost for cost in prediction.costs if cost.branch == run.name]
        assert costs
        assert [cost.head_loss_m for cost in costs] == sorted((cost.head_loss_m for cost in costs), reverse=True)
        assert all(cost.gain is not None and cost.gain > 0.0 for cost in costs)


def test_an_emptying_tank_meets_no_target(plant: Plant) -> None:
    """A pump too weak for the display: what runs comes out of it, and no branch counts as on target for that."""
    judged = replace(plant, runs=(*plant.runs[:2], with_target(plant.runs[2], 100.0, None)))

    prediction = predict(judged, conditions=Conditions(speed=0.2))

    assert prediction.pump_flow_m3s == 0.0
    assert run_of(prediction, "return").flow_m3s < 0.0
    assert run_of(prediction, "reactor").flow_m3s > 100.0 * LPH_M3S
    assert run_of(prediction, "reactor").verdict is Verdict.TOO_LOW
    assert run_of(prediction, "reactor").sure


def test_a_pump_that_is_overcome_is_told(plant: Plant) -> None:
    """The note says what it lifts (4.6 m at a fifth of the speed: 0.18 m), what stands against it and whose water runs."""
    first, second = predict(plant, conditions=Conditions(speed=0.2)).warnings

    assert "lifts 0.18 m at most" in first
    assert "stands against it" in first
    assert "out of return" in second
    assert "back through the pump itself" in second


def test_a_check_valve_keeps_water_from_the_pump(plant: Plant) -> None:
    """With a check valve nothing is said of water that runs back through the pump."""
    kept = replace(plant, pump=replace(plant.pump, check_valve=True))

    assert "through the pump" not in predict(kept, conditions=Conditions(speed=0.2)).warnings[1]


def test_outlets_out_of_reach_are_told(plant: Plant) -> None:
    """Where no water can run back either, the note says that no outlet lies low enough."""
    dry = replace(plant, runs=tuple(replace(run, submerged=False) for run in plant.runs))

    assert "no open outlet" in predict(dry, conditions=Conditions(speed=0.15)).warnings[0]


def test_us_units_all_through() -> None:
    """A plant in gallons: velocities in ft/s, lengths in ft, bores in inches, in notes and elements alike."""
    prediction = predict(replace(example_plant(), flow_unit="gal/h"))
    labels = " ".join(loss.label for run in prediction.runs for loss in run.losses)
    notes = " ".join(note for run in prediction.runs for note in run.warnings)

    assert "0.24 in hose, 4.92 ft" in labels
    assert "barb, 0.16 in" in labels
    assert "1.38 to 1.05 in" in labels
    assert " mm" not in labels
    assert "6.3 ft/s is fast; up to 4.9 ft/s" in notes


def test_a_valve_is_told_as_the_plant_file_has_it() -> None:
    """A ball valve at "45 %" is told as 45 % open."""
    labels = [loss.label for loss in run_of(predict(example_plant()), "carbon").losses]

    assert "ball valve, 45 % open" in labels


def test_tees_by_split_move_small_branches() -> None:
    """With tees by the split the scrubber, last but one on its header, gets more: 12 % here, and all stays balanced."""
    fixed = predict(example_plant())
    by_split = predict(example_plant(), constants=Constants(tees=TeeLaw.BY_SPLIT))

    gain = run_of(by_split, "scrubber").flow_m3s / run_of(fixed, "scrubber").flow_m3s - 1.0
    assert 0.08 < gain < 0.15
    branches = [run.flow_m3s for run in by_split.runs if run.is_branch]
    assert sum(branches) == pytest.approx(by_split.pump_flow_m3s)


@pytest.mark.parametrize(
    ("grain_m", "lifts", "carried"), [(0.0007, True, False), (0.0002, True, True), (0.02, False, False)]
)
def test_a_bed_that_may_lift_is_told(plant: Plant, grain_m: float, *, lifts: bool, carried: bool) -> None:
    """A bed that water may lift is named with the flow and the head; fine grains are carried out; stones stay put."""
    bed = MediaBed(name="ferric", bore_m=0.1, depth_m=0.05, grain_m=grain_m, porosity=0.5)
    notes = " ".join(run_of(predict(with_part(plant, bed)), "reactor").warnings)

    assert ("ferric: if water goes up" in notes) is lifts
    assert ("carried out" in notes) is carried


def with_part(plant: Plant, part: MediaBed) -> Plant:
    """The plant with a part added to its reactor branch."""
    return replace(plant, runs=(*plant.runs[:2], replace(plant.runs[2], path=(*plant.runs[2].path, part))))

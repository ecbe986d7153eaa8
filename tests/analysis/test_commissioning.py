"""Commissioning on simulated healthy days of a plant whose true state is known."""

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import curve_fit

from analysis.baseline import LEAST_HOURS, Baseline, MeterLeftOut
from analysis.baseline_text import from_json, to_json
from analysis.calibration import flow_of
from analysis.commissioning import READING_LOG_SD, commission, log_readings, share_of_readings, usable_flow
from analysis.fitted import FigureKind, fitted_figures, pairs_together
from analysis.frames import HourFrame
from analysis.hydraulics.network import Conditions, compile_network, solve_one
from config.errors import InputMissing
from tests.support.simulated_rack import DAY_H, METERS, Truth, commissioned, hours_of, plant_file

RACK = plant_file()
DAYS = 6
HOURS = DAYS * DAY_H
FACTORS = {"uv": 1.6, "scrubber": 0.8, "carbon": 1.3, "return": 1.0}


def frame_of(*, noise: float = 1.0, factors: dict[str, float] | None = None) -> HourFrame:
    """Healthy days of a rack that was built with other losses than its file says."""
    truth = Truth(resistance={run: np.full(HOURS, factor) for run, factor in (factors or {}).items()})
    return hours_of(RACK, days=DAYS, seed=71, truth=truth, noise=noise)


@pytest.fixture(scope="module")
def baseline() -> Baseline:
    """The rack as its file has it."""
    return commissioned(RACK, frame_of(), days=DAYS)


@pytest.fixture(scope="module")
def other_losses() -> Baseline:
    """The rack with other losses."""
    return commissioned(RACK, frame_of(factors=FACTORS), days=DAYS)


def test_usual_flow_is_the_median(baseline: Baseline) -> None:
    """By numpy's own median of what the meters showed."""
    flow = flow_of(frame_of(), RACK.plant.meters)

    assert baseline.flow_m3s == pytest.approx(np.median(flow, axis=0))


def test_a_plant_as_in_its_file_needs_no_factors(baseline: Baseline) -> None:
    """All factors are 1 within two of their own standard deviations, and nothing is warned of."""
    for branch in baseline.branches:
        assert abs(np.log(branch.resistance_factor)) < 2 * branch.log_sd
    assert baseline.warnings() == ()


def test_other_losses_are_found(other_losses: Baseline) -> None:
    """Each factor within two standard deviations, 90 % of which the interval should hold."""
    assert {branch.run for branch in other_losses.branches} == set(FACTORS)
    for branch in other_losses.branches:
        assert abs(np.log(branch.resistance_factor / FACTORS[branch.run])) < 2 * branch.log_sd


def test_what_is_found_gives_the_flows_back(other_losses: Baseline) -> None:
    """The fitted network, times the fitted gains, shows what the meters showed: within 0.5 %."""
    network = compile_network(RACK.plant)
    state = other_losses.state(network)
    flow = solve_one(
        network, Conditions(resistance=state.resistance, head_factor=state.head_factor, speed=state.speed)
    ).flow_m3s[0]
    runs = [RACK.plant.run_of_meter(meter) for meter in other_losses.meters]
    shown = np.array([flow[network.run_index(run.name)] for run in runs if run is not None]) * other_losses.gain

    assert shown == pytest.approx(other_losses.flow_m3s, rel=0.005)


def test_meters_that_agree_with_the_plant_sharpen_it(other_losses: Baseline) -> None:
    """A metered branch is known better than the catalogue's spread, and says so."""
    assert all(branch.determined for branch in other_losses.branches)


def test_an_unmetered_branch_keeps_the_catalogue() -> None:
    """Without its meter the carbon's factor stays near 1, and is marked as not determined."""
    frame = frame_of()
    without = HourFrame(
        start_s=frame.start_s,
        meters=METERS[:3],
        rate=frame.rate[:, :3],
        seconds=frame.seconds[:, :3],
        off_s=frame.off_s,
    )
    plant = replace(
        RACK.plant,
        runs=tuple(replace(run, meter=None) if run.name == "carbon" else run for run in RACK.plant.runs),
        meters=RACK.plant.meters[:3],
    )

    found = commission(plant, without, flow_of(without, plant.meters), speed=1.0)

    branches = {branch.run: branch for branch in found.branches}
    assert not branches["carbon"].determined
    assert branches["carbon"].resistance_factor == pytest.approx(1.0, rel=0.1)
    assert branches["uv"].determined


def test_far_other_losses_are_warned_of() -> None:
    """Three times the losses is outside handbooks' spread: the run is named, and what it may be."""
    found = commissioned(RACK, frame_of(factors={"uv": 3.0}), days=DAYS)

    (warning,) = found.warnings()
    assert warning.startswith("uv:")
    for reason in ("valve is nearer shut", "pipe or barb of it is narrower", "K-factor is too high"):
        assert reason in warning


def test_far_smaller_losses_are_warned_of() -> None:
    """A third of the losses: the same three reasons, the other way round."""
    found = commissioned(RACK, frame_of(factors={"uv": 0.3}), days=DAYS)

    (warning,) = found.warnings()
    for reason in ("valve is further open", "pipe of it is wider", "K-factor is too low"):
        assert reason in warning


def test_a_reading_that_the_rest_of_the_plant_denies_is_warned_of(baseline: Baseline) -> None:
    """A meter that reads 10 % more than the network can carry there is named, with its K-factor as a likely reason."""
    gain = baseline.gain.copy()
    gain[1] = 1.10

    (warning,) = replace(baseline, gain=gain).warnings()

    assert warning.startswith("M2: it reads 1.10 times")
    assert "K-factor may be low" in warning


def test_every_figure_says_what_the_meters_tell(baseline: Baseline) -> None:
    """Four branches, the pump and four meters: each with its own and the catalogue's interval, nothing beyond 0..1."""
    kinds = [figure.kind for figure in baseline.figures]

    assert kinds == [FigureKind.RESISTANCE] * 4 + [FigureKind.HEAD] + [FigureKind.READING] * 4
    for figure in baseline.figures:
        assert 0.0 <= figure.share_from_meters <= 1.0
        assert figure.interval[0] < figure.factor < figure.interval[1]
        assert figure.log_sd <= figure.prior_log_sd
    assert [figure.factor for figure in baseline.figures[:4]] == [b.resistance_factor for b in baseline.branches]


def test_the_covariance_is_that_of_an_outside_fit() -> None:
    """Scipy's curve_fit on the same flows, with the catalogue as further data: middles, spreads, correlations (1 %)."""
    frame = frame_of(factors=FACTORS)
    flow = flow_of(frame, RACK.plant.meters)
    found = commission(RACK.plant, frame, flow, speed=1.0)
    network = compile_network(RACK.plant)
    branches = [network.run_index(run.name) for run in RACK.plant.branches]
    metered = [run for run in map(RACK.plant.run_of_meter, found.meters) if run is not None]
    columns = [network.run_index(run.name) for run in metered]
    prior = np.array([figure.prior_log_sd for figure in found.figures])

    def shown(_: object, *logs: float) -> np.ndarray:
        resistance = np.ones(len(network.runs))
        resistance[branches] = np.exp(logs[:4])
        solved = solve_one(network, Conditions(resistance=resistance, head_factor=float(np.exp(logs[4]))))
        return np.concatenate([np.log(solved.flow_m3s[0, columns]) + logs[5:], logs])

    wanted = np.concatenate([np.log(found.flow_m3s), np.zeros(prior.size)])
    sigma = np.concatenate([np.full(len(columns), READING_LOG_SD), prior])
    middle, covariance = curve_fit(
        shown, np.zeros(wanted.size), wanted, p0=np.zeros(prior.size), sigma=sigma, absolute_sigma=True
    )

    sd = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(sd, sd)
    assert [figure.log_middle for figure in found.figures] == pytest.approx(middle, abs=2e-3)
    assert [figure.log_sd for figure in found.figures] == pytest.approx(sd, rel=0.01)
    assert [abs(figure.correlation) for figure in found.figures] == pytest.approx(
        np.max(np.abs(correlation) - 2.0 * np.eye(prior.size), axis=1), abs=0.01
    )


def test_figures_that_move_together_are_paired_once() -> None:
    """Two figures with a correlation of 0.9 are told once; a third at 0.3 is told apart. By hand from the covariance."""
    names = ((FigureKind.RESISTANCE, "return"), (FigureKind.HEAD, ""), (FigureKind.READING, "M1"))
    covariance = np.array(
        [[0.04, 0.9 * 0.2 * 0.08, 0.0], [0.9 * 0.2 * 0.08, 0.0064, 0.3 * 0.08 * 0.03], [0.0, 0.3 * 0.08 * 0.03, 0.0009]]
    )

    figures = fitted_figures(names, np.zeros(3), covariance, np.array([0.3, 0.08, 0.03]))

    (pair,) = pairs_together(figures)
    assert [figure.subject for figure in pair] == ["return", ""]
    assert pair[0].correlation == pytest.approx(0.9)
    assert figures[0].share_from_meters == pytest.approx(1.0 - (0.2 / 0.3) ** 2)
    assert figures[1].share_from_meters == 0.0


def test_a_baseline_of_an_earlier_version_is_read(baseline: Baseline) -> None:
    """Without the figures, which it did not have."""
    body = json.loads(to_json(baseline))
    del body["figures"]

    assert from_json(json.dumps(body)).figures == ()


def test_noise_is_learned(baseline: Baseline) -> None:
    """A wander of 0.8 % of every meter is found within a half, from six days."""
    assert baseline.noise.wander_sd == pytest.approx(np.full(4, 0.008), rel=0.5)


def test_survives_the_store(other_losses: Baseline) -> None:
    """Written as text and read again, it is the same to the last digit."""
    again = from_json(to_json(other_losses))

    assert to_json(again) == to_json(other_losses)
    assert np.array_equal(again.flow_m3s, other_losses.flow_m3s)
    assert np.array_equal(again.noise.common_signature, other_losses.noise.common_signature)
    assert again.branches == other_losses.branches
    assert again.figures == other_losses.figures


@pytest.mark.parametrize("hours", [1, LEAST_HOURS - 1])
def test_too_few_hours_are_refused(hours: int) -> None:
    """The message says how many are needed, of which meters, and what to do."""
    frame = frame_of().until(hours)

    with pytest.raises(InputMissing, match=rf"{LEAST_HOURS} healthy hours.*M1, M2, M3, M4.*--from"):
        commission(RACK.plant, frame, flow_of(frame, RACK.plant.meters), speed=1.0)


def test_a_meter_with_too_few_hours_is_left_out() -> None:
    """One meter unread for most of the time: the others are commissioned, and what to do about it is said."""
    frame = frame_of()
    rate = frame.rate.copy()
    rate[LEAST_HOURS - 2 :, 2] = np.nan
    frame = replace(frame, rate=rate)

    found = commission(RACK.plant, frame, flow_of(frame, RACK.plant.meters), speed=1.0)

    assert found.meters == ("M1", "M2", "M4")
    assert found.meters_left_out == (MeterLeftOut(name="M3", hours=LEAST_HOURS - 2),)
    (said,) = (text for text in found.warnings() if text.startswith("M3: "))
    assert f"{LEAST_HOURS - 2} hours with a reading in the healthy days are too few" in said
    assert "--meter M3 --from" in said
    assert from_json(to_json(found)).meters_left_out == found.meters_left_out


def test_a_meter_without_flow_is_left_out() -> None:
    """A dead meter cannot be healthy; what the others tell is the same as without it on the plant."""
    frame = frame_of()
    rate = frame.rate.copy()
    rate[:, 1] = 0.0
    frame = replace(frame, rate=rate)

    found = commission(RACK.plant, frame, flow_of(frame, RACK.plant.meters), speed=1.0)
    others = frame.of(("M1", "M3", "M4"))
    without = commission(RACK.plant, others, flow_of(others, RACK.plant.meters), speed=1.0)

    assert to_json(replace(found, meters_left_out=())) == to_json(without)
    assert any(text.startswith("M2: no flow in most of the healthy days") for text in found.warnings())


def test_no_meter_with_flow_is_refused() -> None:
    """Then there is nothing to commission."""
    frame = frame_of()
    frame = replace(frame, rate=np.zeros_like(frame.rate))

    with pytest.raises(InputMissing, match="no flow in the healthy days on: M1, M2, M3, M4"):
        commission(RACK.plant, frame, flow_of(frame, RACK.plant.meters), speed=1.0)


def test_short_pieces_of_an_hour_do_not_count() -> None:
    """Ten minutes are enough of an hour, less is unknown."""
    frame = frame_of().until(2)
    frame = replace(frame, seconds=np.array([[3600.0, 599.0, 600.0, 0.0]] * 2))

    flow = usable_flow(frame, np.ones((2, 4)))

    assert np.isnan(flow).tolist() == [[False, True, False, True]] * 2


def test_readings_are_logs_of_shares() -> None:
    """Half the flow is ln 0.5; no flow is finite, and the same as next to none; unknown stays unknown."""
    usual = np.array([2.0])
    readings = log_readings(np.array([[1.0], [0.0], [1e-9], [np.nan]]), usual)

    assert readings[0, 0] == pytest.approx(np.log(0.5))
    assert np.isfinite(readings[1, 0])
    assert readings[1, 0] == readings[2, 0]
    assert np.isnan(readings[3, 0])


def test_share_of_an_hour() -> None:
    """900 seconds are a quarter."""
    frame = replace(frame_of().until(1), seconds=np.array([[3600.0, 900.0, 0.0, 1800.0]]))

    assert share_of_readings(frame, ()).tolist() == [[1.0, 0.25, 0.0, 0.5]]

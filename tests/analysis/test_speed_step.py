"""Steps of the pump's speed: which entries of a journal are one, which minutes count, how well meters see it."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.detection.noise import NoiseModel
from analysis.events import Event, EventKind
from analysis.speed_step import Counts, SpeedStep, minute_sd_of, noise_of_counts, pieces_of, steps_in
from tests.support.simulated_rack import autoregression
from tests.support.stepped_rack import speed_entry, step_at

NOW_S = 1e6
QUIET = NoiseModel(
    white_sd=np.array([0.0]),
    wander_sd=np.array([0.0]),
    wander_tau_h=np.array([20.0]),
    common_signature=np.zeros((1, 1)),
    common_sd=np.zeros(1),
    common_tau_h=np.ones(1),
    common_jump_sd=np.zeros(1),
)


def counts(pulses: float, *, seconds: float = 600.0) -> Counts:
    """One meter that counts the same in each window, a pulse a litre."""
    windows = np.full((3, 1), pulses)
    return Counts(pulses=windows, seconds=np.full((3, 1), seconds), flow_m3s=windows / seconds / 1000.0)


def found(*entries: tuple[float, float], now_s: float = NOW_S) -> tuple[SpeedStep, ...]:
    """Steps of a journal of (seconds, per cent), the plant file having 100 %."""
    return steps_in([speed_entry(*entry) for entry in entries], 1.0, now_s).found


def test_down_and_back_is_a_step() -> None:
    """Ten minutes at 80 %, the plant file's speed before and after."""
    (step,) = found((5000, 80), (5600, 100))

    assert (step.begin_s, step.end_s, step.before, step.during) == (5000, 5600, 1.0, 0.8)


def test_entries_in_any_order() -> None:
    """The journal need not be sorted; an entry that changes nothing is no change."""
    assert found((5600, 100), (5000, 80), (5300, 80)) == found((5000, 80), (5600, 100))


@pytest.mark.parametrize(("minutes", "word"), [(2.9, "short"), (61.0, "long")])
def test_too_short_and_too_long(minutes: float, word: str) -> None:
    """Neither is a step, and it is said why."""
    steps = steps_in([speed_entry(5000, 80), speed_entry(5000 + 60 * minutes, 100)], 1.0, NOW_S)

    assert steps.found == ()
    assert word in steps.refused[0]
    assert f"{minutes:.3g} minutes" in steps.refused[0]


@pytest.mark.parametrize("minutes", [3.0, 60.0])
def test_the_longest_and_the_shortest(minutes: float) -> None:
    """Both ends of what a step may be."""
    assert len(found((5000, 80), (5000 + 60 * minutes, 100))) == 1


@pytest.mark.parametrize(
    "entries",
    [((5000, 80),), ((5000, 80), (5600, 90)), ((5000, 98), (5600, 100)), ()],
    ids=["still down", "to a third speed", "hardly lower", "nothing"],
)
def test_what_is_no_step(entries: tuple[tuple[float, float], ...]) -> None:
    """It must come back, and be large enough to see."""
    assert found(*entries) == ()


def test_what_is_later_does_not_count() -> None:
    """A step is one once it is over: at its last second it is not."""
    assert found((5000, 80), (5600, 100), now_s=5599.0) == ()
    assert len(found((5000, 80), (5600, 100), now_s=5600.0)) == 1


def test_other_entries_are_no_change_of_speed() -> None:
    """A feed pause of 80 minutes is not 80 %."""
    pause = Event(at_s=5000.0, kind=EventKind.FEED_PAUSE, target="pump", value="80")

    assert steps_in([pause, speed_entry(5600, 100)], 1.0, NOW_S).found == ()


def test_settling_is_left_out() -> None:
    """A minute after each change, and half a minute before each."""
    (step,) = found((5000, 80), (5600, 100))
    before, during, after = step.windows_s

    assert before == (4100, 4970)
    assert during == (5060, 5570)
    assert after == (5660, 6560)


def test_windows_end_at_other_changes() -> None:
    """What is read beside a step must have run at the speed before it."""
    first, second = found((4000, 80), (4600, 100), (5000, 80), (5600, 100), (6000, 70), now_s=8000.0)

    assert first.windows_s[2] == (4660, 4970)
    assert second.windows_s[0] == (4660, 4970)
    assert second.windows_s[2] == (5660, 5970)


def test_ratio_against_the_mean_of_before_and_after() -> None:
    """A drift that goes straight on through the step falls out."""
    flow = np.array([[1.00], [0.8 * 1.02], [1.0404]])
    drifting = replace(counts(1000.0), flow_m3s=flow)

    assert drifting.log_ratio[0] == pytest.approx(np.log(0.8))


def test_ratio_without_an_after() -> None:
    """What is there so far is read against before alone."""
    missing = replace(counts(1000.0), pulses=np.array([[1000.0], [1000.0], [0.0]]))

    assert missing.log_ratio[0] == 0.0
    assert missing.weights[:, 0].tolist() == [-1.0, 1.0, 0.0]


def test_a_meter_of_few_pulses_is_not_read() -> None:
    """Nine pulses say nothing of a flow."""
    few = counts(9.0)

    assert np.isnan(few.log_ratio[0])
    assert np.isinf(noise_of_counts(QUIET, step_at(0.0), few)[0, 0])


def test_resolution_of_whole_pulses() -> None:
    """Without any noise a count is off by less than a pulse at either end: measured on uniform phases."""
    random = np.random.default_rng(3)
    pulses, draws = 40.3, 4000
    phase = random.random((draws, 3))
    whole = np.floor(pulses + phase)
    measured = np.std([np.log(row[1]) - 0.5 * (np.log(row[0]) + np.log(row[2])) for row in whole])

    told = np.sqrt(noise_of_counts(QUIET, step_at(0.0), counts(pulses))[0, 0])

    assert told == pytest.approx(measured, rel=0.15)


def test_white_noise_goes_down_with_time() -> None:
    """An hour's 1 % is 1 % times the root of six in ten minutes, and there are one and two halves of it."""
    noisy = replace(QUIET, white_sd=np.array([0.01]))

    told = noise_of_counts(noisy, step_at(0.0), counts(1e9))[0, 0]

    assert told == pytest.approx(0.01**2 * 6 * 1.5, rel=1e-6)


def test_wander_between_windows() -> None:
    """Against paths of an AR(1) at every minute: the sample's spread of what is read."""
    sd, tau_h, minutes = 0.02, 2.0, 60
    step = step_at(30 * 60.0)
    random = np.random.default_rng(4)
    rows = []
    for _ in range(1500):
        path = autoregression(random, minutes, sd=sd, tau_h=tau_h * 60)
        at_s = 60.0 * np.arange(minutes)
        means = [path[(at_s >= start) & (at_s <= end)].mean() for start, end in step.windows_s]
        rows.append(means[1] - 0.5 * (means[0] + means[2]))
    wandering = replace(QUIET, wander_sd=np.array([sd]), wander_tau_h=np.array([tau_h]))

    told = np.sqrt(noise_of_counts(wandering, step, counts(1e9))[0, 0])

    assert told == pytest.approx(float(np.std(rows)), rel=0.1)


def test_pieces_lie_within_their_windows() -> None:
    """Two whole minutes by the clock each, none across a change of speed."""
    step = step_at(120_000.0)

    for number, start, end in pieces_of(step):
        assert start % 120 == 0
        assert end - start == 120
        assert step.windows_s[number][0] <= start < end <= step.windows_s[number][1]
    assert [number for number, _, _ in pieces_of(step)].count(1) == 3


def test_scatter_of_minutes() -> None:
    """Of a known sd, about means that differ from window to window."""
    random = np.random.default_rng(6)
    windows = [0] * 60 + [1] * 60
    level = np.where(np.array(windows) == 0, 1000.0, 700.0)
    pulses = (2 * level * np.exp(0.01 / np.sqrt(2) * random.standard_normal(120)))[:, None]

    told = minute_sd_of(windows, pulses, np.full((120, 1), 120.0))[0]

    assert told == pytest.approx(0.01, rel=0.15)


def test_scatter_of_too_few_minutes_is_not_known() -> None:
    """Then the commissioned noise stands alone."""
    few = minute_sd_of([0, 0, 1, 1], np.full((4, 1), 100.0), np.full((4, 1), 120.0))
    noisy = replace(QUIET, white_sd=np.array([0.01]))

    assert np.isnan(few[0])
    told, plain = (
        noise_of_counts(noisy, step_at(0.0), counted)[0, 0]
        for counted in (replace(counts(1e9), minute_sd=few), counts(1e9))
    )
    assert told == plain


def test_a_meter_that_scatters_more_than_commissioned() -> None:
    """Is believed less: 2 % a minute, ten minutes, and the two halves beside."""
    loud = replace(counts(1e9), minute_sd=np.array([0.02]))

    assert noise_of_counts(QUIET, step_at(0.0), loud)[0, 0] == pytest.approx(0.02**2 / 10 * 1.5)

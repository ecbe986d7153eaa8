"""How a change grows: courses against what was put in, and against the dense Gaussian of scipy."""

from collections.abc import Sequence

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from analysis.detection.growth import BLOCK_H, MOST_COURSES, POWER_SHARE, POWERS, Growth, Since, growth_of, path_of
from analysis.detection.noise import NoiseModel
from analysis.detection.regimes import Touch
from analysis.detection.whitener import FilterState, predict, start, update
from analysis.frames import Floats
from tests.support.made_up_faults import UNITS, faults
from tests.support.noise_models import dense_covariance, model_of, series_of

FAULTS = faults()
SURE = np.array([1.0, 0.0, 0.0, 0.0, 0.0])  # branch a
HEALTHY, HOURS, BEGIN = 200, 240, 260  # the course begins 60 hours after the filter's last healthy hour
LOAD, POWER = 0.35, 1.5
MODEL = model_of(3, commons=1, wander_sd=0.004, white_sd=0.001)
QUIET = model_of(3, wander_sd=1e-5, white_sd=1e-5)


def size_of(load: float) -> float:
    """Log flow lost by a load."""
    return 0.5 * float(np.log1p(load))


def course(load: float = LOAD, power: float = POWER) -> Floats:
    """[T, 3] what branch a's load, grown from BEGIN to the end of all hours, does to the readings, mean of each hour."""
    end = HEALTHY + HOURS
    age = np.maximum(np.arange(end) + 0.5 - BEGIN, 0.0) / (end - BEGIN)
    lost: Floats = 0.5 * np.log1p(load * age**power)[:, None] * UNITS["branch a"]
    return lost


def since_of(model: NoiseModel, change: Floats, *, seed: int = 3, touches: Sequence[Touch] = ()) -> Since:
    """The hours after a filter has seen HEALTHY of them."""
    readings = series_of(model, HEALTHY + HOURS, np.random.default_rng(seed)) + change
    state = start(model)
    for reading in readings[:HEALTHY]:
        state, _ = update(model, predict(model, state), reading, np.ones(model.meters))
    return Since(before_h=HEALTHY - 1, before=state, readings=readings[HEALTHY:], touches=touches, model=model)


def told(since: Since, *, probability: Floats = SURE) -> Growth:
    """The courses, every fault taken for as large as the true one."""
    change = np.stack([size_of(LOAD) * unit for unit in UNITS.values()])
    return growth_of(since, FAULTS, probability, change)


def mean(growth: Growth, what: Floats) -> float:
    """By weight."""
    return float(growth.weight @ what)


def test_a_quiet_course_is_found_whole() -> None:
    """Beginning to the grid's ten hours, power and load as they were put in."""
    growth = told(since_of(QUIET, course()))

    assert mean(growth, growth.load) == pytest.approx(LOAD, rel=0.01)
    assert mean(growth, growth.power) == pytest.approx(POWER, abs=0.15)
    assert mean(growth, growth.begin_h) == pytest.approx(BEGIN, abs=10)


@pytest.mark.parametrize("power", [1.0, 2.0])
def test_an_even_growth_is_told_from_a_quickening_one(power: float) -> None:
    """With the wander of a usual plant, to a third of a power."""
    growth = told(since_of(MODEL, course(power=power)))

    assert mean(growth, growth.power) == pytest.approx(power, abs=1 / 3)


def test_the_present_load_is_covered() -> None:
    """In 60 plants the central 90 % of the courses holds the true load as often as it says, to chance (84 to 96 %)."""
    held = 0
    for seed in range(60):
        growth = told(since_of(MODEL, course(), seed=100 + seed))
        order = np.argsort(growth.load)
        below = np.cumsum(growth.weight[order])
        low, high = (growth.load[order][np.searchsorted(below, level)] for level in (0.05, 0.95))
        held += low <= LOAD <= high
    assert 50 <= held <= 59


def spread(growth: Growth) -> float:
    """Standard deviation of the load."""
    return float(np.sqrt(growth.weight @ (growth.load - mean(growth, growth.load)) ** 2))


def unknown() -> Since:
    """180 hours of a plant of which nothing was known before them."""
    readings = since_of(MODEL, course()).readings[:180]
    blank = FilterState(np.zeros(MODEL.states), np.diag(MODEL.stationary_var), np.zeros(3))
    return Since(before_h=HEALTHY - 1, before=blank, readings=readings, touches=(), model=MODEL)


def test_weights_are_those_of_the_dense_gaussian() -> None:
    """Scipy's multivariate normal of all hours of all three meters gives the courses the same load and beginning.

    Seen by six hours along one pattern little is lost: the means agree to a quarter of their spread, the spread to a
    fifth.
    """
    since = unknown()
    growth = told(since)
    hours = len(since.readings)
    normal = multivariate_normal(mean=np.zeros(3 * hours), cov=dense_covariance(MODEL, hours))
    begins, levels = np.linspace(HEALTHY, HEALTHY + 160, 17), np.linspace(0.02, 0.16, 29)
    begin, power, level = (axis.ravel() for axis in np.meshgrid(begins, POWERS, levels, indexing="ij"))
    load = np.expm1(2.0 * level)
    age = np.maximum(HEALTHY + np.arange(hours) + 0.5 - begin[:, None], 0.0) / (HEALTHY + hours - begin)[:, None]
    lost = 0.5 * np.log1p(load[:, None] * age ** power[:, None])
    apart = since.readings - lost[..., None] * UNITS["branch a"]
    log_weight = normal.logpdf(apart.reshape(len(apart), -1)) + np.log(np.interp(power, POWERS, POWER_SHARE))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()

    their_load, their_begin = weight @ load, weight @ begin
    their_spread = float(np.sqrt(weight @ (load - their_load) ** 2))
    assert mean(growth, growth.load) == pytest.approx(their_load, abs=0.25 * their_spread)
    assert spread(growth) == pytest.approx(their_spread, rel=0.2)
    assert mean(growth, growth.begin_h) == pytest.approx(their_begin, abs=8.0)


def test_hours_that_nobody_saw_are_left_out() -> None:
    """A day without any reading and one meter that was never seen: the load is found all the same."""
    since = since_of(QUIET, course())
    readings = since.readings.copy()
    readings[100:124] = np.nan
    readings[:, 1] = np.nan

    growth = told(Since(before_h=since.before_h, before=since.before, readings=readings, touches=(), model=QUIET))

    assert mean(growth, growth.load) == pytest.approx(LOAD, rel=0.02)


def disturbed(hours: int | slice, meter: int | slice, reading: float) -> Growth:
    """The courses where some hours of meters show something else."""
    since = since_of(MODEL, course())
    readings = since.readings.copy()
    readings[hours, meter] = reading
    return told(Since(before_h=since.before_h, before=since.before, readings=readings, touches=(), model=MODEL))


@pytest.mark.parametrize("hour", [-2, -4, -140])
@pytest.mark.parametrize("reading", [-3.0, 1.0])
def test_a_stray_hour_moves_nothing(hour: int, reading: float) -> None:
    """A stopped hour, or a wild one: the load stays within half of its own spread."""
    calm = told(since_of(MODEL, course()))

    wild = disturbed(hour, slice(None), reading)

    assert mean(wild, wild.load) == pytest.approx(mean(calm, calm.load), abs=0.5 * spread(calm))


@pytest.mark.parametrize("meter", [slice(None), 1])
def test_hours_unread_at_the_end_are_bridged(meter: int | slice) -> None:
    """Two days without a reading, of all or of one other branch's meter: the load goes on growing, less sure."""
    unread = disturbed(slice(-46, None), meter, np.nan)

    low, high = np.quantile(unread.load, [0.05, 0.95])
    assert low < LOAD < high


def test_journalled_work_leaves_the_level_open() -> None:
    """Media that may have packed by 5 % just before the end: the present load is less sure by about as much."""
    work = Touch(hour=HEALTHY + HOURS - 48, pattern=np.array([-1.0, 0.2, 0.1]), sd=0.05)
    sure, open_ = (told(since_of(MODEL, course(), touches=touches)) for touches in ((), (work,)))

    assert spread(open_) > 1.3 * spread(sure)


@pytest.mark.parametrize("hours", [0, 1, BLOCK_H - 1, 2 * BLOCK_H, 3 * BLOCK_H - 1])
def test_too_few_hours_have_no_course(hours: int) -> None:
    """Two blocks are no growth."""
    since = since_of(MODEL, course())
    short = Since(
        before_h=since.before_h, before=since.before, readings=since.readings[:hours], touches=(), model=MODEL
    )

    assert told(short).weight.size == 0


def test_unlikely_faults_have_none() -> None:
    """Courses are of what is likely, each by its probability."""
    growth = told(since_of(MODEL, course()), probability=np.array([0.7, 0.02, 0.02, 0.02, 0.24]))

    assert set(growth.fault.tolist()) == {0, 4}
    assert growth.weight.sum() == pytest.approx(1.0)
    assert growth.weight[growth.fault == 0].sum() == pytest.approx(0.7 / 0.94, abs=1 / MOST_COURSES)


def test_a_path_that_goes_the_other_way_is_none() -> None:
    """Branch b's restriction lets a rise, which never falls by it."""
    falling = np.array([-1.0, 0.0, 0.0])

    assert path_of(FAULTS, 1, falling) is None
    path = path_of(FAULTS, 0, falling)
    assert path is not None
    assert np.interp(np.log1p(LOAD), *path) == pytest.approx(size_of(LOAD))


def test_a_filter_that_knew_nothing_is_less_sure() -> None:
    """Where the level of before is as good as unknown, only what moved since then tells."""
    since = since_of(MODEL, course())
    blank = Since(before_h=since.before_h, before=unknown().before, readings=since.readings, touches=(), model=MODEL)

    unsure, sure = told(blank), told(since)
    assert spread(unsure) > spread(sure)

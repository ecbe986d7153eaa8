"""Five pulse meters on one counter box, and the log it writes.

A meter turns flow into pulses with an error of its own: of its K-factor, at low flow, a slow wander, and noise from
minute to minute. The box sends every meter's cumulative count once a minute of its own, slightly slow clock. What
goes wrong with logs goes wrong here too: lines lost, doubled, late or cut short, counters that restart, hours in
which nobody listened.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HOUR_S = 3600
START = np.datetime64("2026-09-07T00:00:00", "s")
TICK_S = 60.001  # the box's minute: 17 ppm slow, an ordinary crystal
FIRST_TICK_S = 7.3
CUT_SHORT_AT = 23  # characters left of a line that was cut short: the time and a piece of the name


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterModel:
    """A pulse meter as it is.

    Attributes:
        branch: the branch it sits on.
        pulses_per_litre: what its label says. k_error: how far the true K-factor is off, a fraction.
        slow_lpm: flow below which the rotor slips; at that flow it reads a fifth low, well above it hardly at all.
        wander, wander_hours: sd and time constant of its slow wander. noise: sd from minute to minute.
    """

    name: str
    branch: str
    pulses_per_litre: float
    k_error: float
    slow_lpm: float
    wander: float
    wander_hours: float
    noise: float


METERS = (
    MeterModel(
        name="M1",
        branch="return",
        pulses_per_litre=6,
        k_error=0.011,
        slow_lpm=4.0,
        wander=0.005,
        wander_hours=9,
        noise=0.006,
    ),
    MeterModel(
        name="M2",
        branch="uv",
        pulses_per_litre=18,
        k_error=-0.017,
        slow_lpm=1.5,
        wander=0.006,
        wander_hours=14,
        noise=0.007,
    ),
    MeterModel(
        name="M3",
        branch="scrubber",
        pulses_per_litre=24,
        k_error=0.006,
        slow_lpm=1.0,
        wander=0.008,
        wander_hours=6,
        noise=0.008,
    ),
    MeterModel(
        name="M4",
        branch="carbon",
        pulses_per_litre=60,
        k_error=0.019,
        slow_lpm=0.6,
        wander=0.009,
        wander_hours=11,
        noise=0.009,
    ),
    MeterModel(
        name="M5",
        branch="phosphate",
        pulses_per_litre=60,
        k_error=-0.009,
        slow_lpm=0.6,
        wander=0.007,
        wander_hours=18,
        noise=0.008,
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch of time, in seconds from the log's start."""

    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Logging:
    """What befell the pump and the box while the log was written.

    Attributes:
        pauses: the pump was stopped, the box went on.
        power_cuts: pump and box were both without power; the counts restart afterwards.
        restarts_s: the box alone restarted at these times.
        unheard: the box went on counting and nobody listened.
    """

    days: int
    pauses: tuple[Stretch, ...] = ()
    power_cuts: tuple[Stretch, ...] = ()
    restarts_s: tuple[float, ...] = ()
    unheard: tuple[Stretch, ...] = ()


def wander(random: np.random.RandomState, *, points: int, sd: float, time_constant: float) -> Floats:
    """A first-order autoregressive wander of that many points; `time_constant` in points."""
    phi = float(np.exp(-1.0 / time_constant))
    kicks = random.standard_normal(points) * sd
    kicks[1:] *= np.sqrt(1 - phi**2)
    path = np.empty(points)
    path[0] = kicks[0]
    for i in range(1, points):
        path[i] = phi * path[i - 1] + kicks[i]
    return path


def write_log(
    random: np.random.RandomState, *, flow_lpm: dict[str, Floats], gain: dict[str, Floats], logging: Logging
) -> str:
    """The log as CSV text.

    Args:
        random: the source of every accident in it.
        flow_lpm: by branch, [hours] its true flow while the pump runs.
        gain: by meter, [hours] what a fault leaves of its reading; meters that are well need not be named.
        logging: what befell the pump and the box.
    """
    tick_s = np.arange(FIRST_TICK_S, logging.days * 86_400.0, TICK_S)
    running_s = np.diff(_running_time_s(tick_s, logging), prepend=0.0)
    turning_lpm = {meter.name: flow_lpm[meter.branch] * gain.get(meter.name, 1.0) for meter in METERS}
    counts = np.stack([_counts(random, meter, turning_lpm[meter.name], tick_s, running_s) for meter in METERS], axis=1)
    counts = _restarted(random, counts, tick_s, logging)
    heard = np.flatnonzero(~_inside(tick_s, logging.power_cuts + logging.unheard))
    return _as_text(random, tick_s[heard], counts[heard])


def _running_time_s(time_s: Floats, logging: Logging) -> Floats:
    """Seconds that the pump has run up to each time."""
    stopped = np.zeros_like(time_s)
    for stretch in logging.pauses + logging.power_cuts:
        stopped += np.clip(time_s, stretch.from_s, stretch.to_s) - stretch.from_s
    return time_s - stopped


def _inside(time_s: Floats, stretches: tuple[Stretch, ...]) -> NDArray[np.bool_]:
    inside = np.zeros(time_s.shape, dtype=bool)
    for stretch in stretches:
        inside |= (time_s >= stretch.from_s) & (time_s < stretch.to_s)
    return inside


def _counts(
    random: np.random.RandomState, meter: MeterModel, flow_lpm: Floats, tick_s: Floats, running_s: Floats
) -> Ints:
    """Pulses since the log's start at every tick; `running_s`: [ticks] seconds of pumping since the tick before."""
    hours = flow_lpm.shape[0]
    slipping = 1 - 0.2 * np.exp(1 - flow_lpm / meter.slow_lpm)
    read_lpm = flow_lpm * np.clip(slipping, 0.0, 1.0)
    hour_of_tick = np.minimum((tick_s / HOUR_S).astype(np.int64), hours - 1)
    slow = wander(random, points=hours + 1, sd=meter.wander, time_constant=meter.wander_hours)
    noise = np.interp(tick_s / HOUR_S, np.arange(hours + 1), slow)
    noise += meter.noise * random.standard_normal(tick_s.shape[0])
    true_k = meter.pulses_per_litre * (1 + meter.k_error)
    pulses = true_k * read_lpm[hour_of_tick] / 60 * running_s * np.exp(noise)
    whole: Ints = np.floor(np.cumsum(pulses) + random.random_sample()).astype(np.int64)
    return whole


def _restarted(random: np.random.RandomState, counts: Ints, tick_s: Floats, logging: Logging) -> Ints:
    """The counts as the box sends them: it has counted for a while already, and from 0 after each restart."""
    sent = counts + random.randint(100_000, 4_000_000, size=counts.shape[1])
    for restart_s in sorted((*logging.restarts_s, *(cut.to_s for cut in logging.power_cuts))):
        first = int(np.searchsorted(tick_s, restart_s))
        sent[first:] = counts[first:] - counts[first - 1]
    return sent


def _as_text(random: np.random.RandomState, tick_s: Floats, counts: Ints) -> str:
    """One line a tick and meter, with the accidents of logging."""
    ticks, meters = counts.shape
    times = np.datetime_as_string(START + tick_s.astype("timedelta64[s]"))
    lines = [
        f"{time}Z,{meter.name},{count}"
        for time, row in zip(times.tolist(), counts.tolist(), strict=True)
        for meter, count in zip(METERS, row, strict=True)
    ]
    total = ticks * meters
    place = np.arange(total, dtype=np.float64)
    late = random.random_sample(total) < 0.0008
    place[late] += random.randint(3, 40, size=int(late.sum()))
    kept = np.flatnonzero(random.random_sample(total) >= 0.002)
    doubled = np.flatnonzero(random.random_sample(total) < 0.0008)
    order = np.concatenate([kept, doubled])
    order = order[np.argsort(np.concatenate([place[kept], place[doubled] + 4.5]), kind="stable")]
    written = [lines[i] for i in order.tolist()]
    for cut in random.randint(0, len(written), size=2).tolist():
        written[cut] = written[cut][:CUT_SHORT_AT]
    return "\n".join(["time_utc,meter,pulses", *written, ""])

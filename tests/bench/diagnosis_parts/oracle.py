"""The oracle: it knows the plant as built, the noise, the fault's course in time and its size. Nobody can do better.

It sets the limit. `bound_h` is the hours from the onset until the information that the readings carry on average, the
accumulated Kullback-Leibler divergence of the whitened change, reaches the log of the mean time between false alarms
that is wanted (Lorden 1971; Moustakides, Ann. Stat. 14 (1986) 1379, both from memory). `found_h` is when the
log likelihood ratio of the fault on these very readings reaches it. `named` weighs every fault by these readings, the
course in time given, each as likely before as it is drawn. Its filter is written anew here, for it judges the project's.
"""

from collections import Counter
from dataclasses import dataclass

import numpy as np

from analysis.assessment import FaultKind
from analysis.frames import HOUR_S, Floats
from tests.bench.diagnosis_parts.engine import Conditions, Engine, usual
from tests.bench.diagnosis_parts.faults import OFTEN, SORTS, VISCOSITY_M2S, Answer
from tests.bench.diagnosis_parts.manifold import RISER, Manifold
from tests.bench.diagnosis_parts.scenario import LEAST_READING, Meters, Scenario

HOURS_A_YEAR = 8766.0
FALSE_ALARMS_A_BRANCH_YEAR = 0.1
LEAST_SECONDS = 600.0
K_FACTORS = (1.06, 1.2, 1.6, 2.5, 5.0, 15.0, 60.0)
OPENED = (0.9, 0.7, 0.4, 0.1)
SPEEDS = (0.99, 0.97, 0.94, 0.90, 0.84, 0.75, 0.65, 1.01, 1.03, 1.06, 1.10)
READINGS = (-3.9, -1.0, -0.3, -0.1, -0.03, 0.03, 0.1, 0.3)
SUDDEN = 0.3  # a change that comes with so large a share of its greatest size in its first hour came at once
STRETCH = (0.6, 1.6)  # between neighbouring sizes of a fault its pattern is scaled


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Noise of M meters: own AR(1) and white, and one AR(1) of log speed along a pattern; all [M] but the speed's two."""

    white_sd: Floats
    wander_sd: Floats
    wander_tau_h: Floats
    speed_pattern: Floats
    speed_sd: float
    speed_tau_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Whitener:
    """A Kalman filter run over T hours: gain [T, M + 1, M], precision of the surprise [T, M, M], what was seen [T, M]."""

    noise: Noise
    gain: Floats
    precision: Floats
    seen: Floats

    def surprise(self, signal: Floats) -> Floats:
        """[T, M, n] what the filter is surprised by of n signals [T, M, n]."""
        memory, view = _memory(self.noise), _view(self.noise)
        state = np.zeros((len(memory), signal.shape[2]))
        found = np.empty_like(signal)
        for hour in range(len(signal)):
            state = memory[:, None] * state
            found[hour] = self.seen[hour][:, None] * (signal[hour] - view @ state)
            state = state + self.gain[hour] @ found[hour]
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Oracle:
    """What can be known of one scenario's fault.

    Attributes:
        onset_h: first hour. limit: of the log likelihood ratio.
        information, ratio: [T] accumulated from the onset on, on average and on these readings.
        score, info: [T, M] and [T, M, M] of the fault's course on each meter alone. course: [T].
        answers: [P] of the patterns [P, M]. prior: [P] log of how often each answer is drawn.
        whitener: by which it sees.
    """

    onset_h: int
    limit: float
    information: Floats
    ratio: Floats
    score: Floats
    info: Floats
    course: Floats
    answers: tuple[Answer, ...]
    patterns: Floats
    prior: Floats
    whitener: Whitener

    @property
    def bound_h(self) -> int | None:
        """Hours from the onset until the information suffices; None if it never does."""
        return _first(self.information >= self.limit, self.onset_h)

    @property
    def found_h(self) -> int | None:
        """Hours from the onset until it is sure on these readings."""
        return _first(self.ratio >= self.limit, self.onset_h)

    def named(self, hour: int) -> tuple[tuple[Answer, float], ...]:
        """Every fault with its probability, most probable first, after an hour."""
        hour = min(hour, len(self.course) - 1)
        size = max(float(np.max(self.course[: hour + 1])), 1e-9)
        score, info = self.score[hour] / size, self.info[hour] / size**2
        along = self.patterns @ score
        across = np.maximum(np.einsum("pi,ij,pj->p", self.patterns, info, self.patterns), 1e-12)
        stretch = np.clip(along / across, *STRETCH)
        ratio = stretch * along - 0.5 * stretch**2 * across
        best: dict[Answer, float] = {}
        for answer, value in zip(self.answers, (ratio + self.prior).tolist(), strict=True):
            best[answer] = max(value, best.get(answer, -np.inf))
        values = np.array(list(best.values()))
        weight = np.exp(values - values.max())
        shares = (weight / weight.sum()).tolist()
        return tuple(sorted(zip(best, shares, strict=True), key=lambda pair: -pair[1]))


def ask_oracle(scenario: Scenario) -> Oracle:
    """The oracle on a scenario with a fault."""
    truth, meters = scenario.truth, scenario.truth.meters
    onset = truth.fault.onset_h
    if onset is None:
        raise ValueError("there is no fault to ask about")
    with Engine(truth.built) as engine:
        pattern = _speed_pattern(engine, truth.built, meters)
        answers, patterns = _patterns(engine, truth.built, meters)
    noise = Noise(
        white_sd=meters.white_sd,
        wander_sd=meters.wander_sd,
        wander_tau_h=meters.wander_tau_h,
        speed_pattern=pattern,
        speed_sd=truth.weather.speed_sd,
        speed_tau_h=truth.weather.speed_tau_h,
    )
    label = np.array([meter.k_points[0][1] for meter in scenario.plant_file.plant.meters]) * 1000.0
    with np.errstate(divide="ignore"):
        shown = np.maximum(np.log(scenario.frame.rate / label) - truth.sound_log, np.log(LEAST_READING))
    reading = np.where(scenario.frame.seconds >= LEAST_SECONDS, shown, np.nan)
    whitener = whiten(noise, np.isfinite(reading), scenario.frame.seconds / HOUR_S)
    limit = float(np.log(HOURS_A_YEAR / (FALSE_ALARMS_A_BRANCH_YEAR * len(meters.runs))))
    course = np.linalg.norm(truth.change, axis=1)
    sudden = bool(course[onset] > SUDDEN * np.max(course))
    prior = _prior(answers, truth.built, sudden=sudden)
    return weigh(whitener, reading, truth.change, onset, limit=limit, answers=answers, patterns=patterns, prior=prior)


def weigh(  # noqa: PLR0913 - what an oracle knows, named at the one call
    whitener: Whitener,
    reading: Floats,
    change: Floats,
    onset_h: int,
    *,
    limit: float,
    answers: tuple[Answer, ...],
    patterns: Floats,
    prior: Floats,
) -> Oracle:
    """Accumulate what readings [T, M] say of a change [T, M] since its onset."""
    meters = reading.shape[1]
    course = np.linalg.norm(change, axis=1)
    units = course[:, None, None] * np.eye(meters)
    signals = np.concatenate([np.nan_to_num(reading)[:, :, None], change[:, :, None], units], axis=2)
    surprise = whitener.surprise(signals)
    weighted = np.einsum("tij,tjn->tin", whitener.precision, surprise)
    product = np.einsum("tim,tin->tmn", surprise, weighted)  # [T, 2 + M, 2 + M] of readings, change, units
    product[:onset_h] = 0.0
    total = np.cumsum(product, axis=0)
    return Oracle(
        onset_h=onset_h,
        limit=limit,
        information=0.5 * total[:, 1, 1],
        ratio=total[:, 0, 1] - 0.5 * total[:, 1, 1],
        score=total[:, 2:, 0],
        info=total[:, 2:, 2:],
        course=course,
        answers=answers,
        patterns=patterns,
        prior=prior,
        whitener=whitener,
    )


def whiten(noise: Noise, seen: np.ndarray, share: Floats) -> Whitener:
    """The filter's gains over hours in which some meters [T, M] were seen, for a share [T, M] of the hour."""
    memory, view = _memory(noise), _view(noise)
    still = np.concatenate([noise.wander_sd**2, [noise.speed_sd**2]])
    cov, fresh = np.diag(still), np.diag(still * (1.0 - memory**2))
    hours, meters = seen.shape
    gain, precision = np.zeros((hours, meters + 1, meters)), np.zeros((hours, meters, meters))
    white_var = noise.white_sd**2 / np.clip(share, 0.02, 1.0)
    for hour in range(hours):
        cov = memory[:, None] * cov * memory + fresh if hour else cov
        there = np.flatnonzero(seen[hour])
        if len(there) == 0:
            continue
        look = view[there]
        inverse = np.linalg.inv(look @ cov @ look.T + np.diag(white_var[hour, there]))
        gain[hour][:, there] = cov @ look.T @ inverse
        precision[hour][np.ix_(there, there)] = inverse
        cov = cov - gain[hour][:, there] @ look @ cov
    return Whitener(noise=noise, gain=gain, precision=precision, seen=seen.astype(np.float64))


def _memory(noise: Noise) -> Floats:
    return np.exp(-1.0 / np.concatenate([noise.wander_tau_h, [noise.speed_tau_h]]))


def _view(noise: Noise) -> Floats:
    return np.hstack([np.eye(len(noise.white_sd)), noise.speed_pattern[:, None]])


def _first(enough: np.ndarray, onset_h: int) -> int | None:
    found = np.flatnonzero(enough[onset_h:])
    return int(found[0]) + 1 if len(found) else None


def _speed_pattern(engine: Engine, built: Manifold, meters: Meters) -> Floats:
    asked = usual(2, len(built.branches), viscosity_m2s=VISCOSITY_M2S)
    asked.speed[1] = 1.01
    pattern: Floats = _changes(engine, built, meters, asked)[1] / np.log(1.01)
    return pattern


def _patterns(engine: Engine, built: Manifold, meters: Meters) -> tuple[tuple[Answer, ...], Floats]:
    """Every fault in several sizes: what it does to the log readings."""
    count, factors = len(built.branches), (*K_FACTORS, *OPENED)
    asked = usual(1 + count * len(factors) + len(SPEEDS), count, viscosity_m2s=VISCOSITY_M2S)
    answers: list[Answer] = []
    for place, branch in enumerate(built.branches):
        for factor in factors:
            answers.append((FaultKind.RESTRICTION if factor > 1.0 else FaultKind.OPENING, branch.name))
            asked.branch_k[len(answers), place] = branch.pipe.k * (factor - 1.0)
    for speed in SPEEDS:
        answers.append((FaultKind.SUPPLY, None))
        asked.speed[len(answers)] = speed
    patterns = [_changes(engine, built, meters, asked)[1:]]
    for column, run in enumerate(meters.runs):
        answers += [(FaultKind.METER, f"{run} meter")] * len(READINGS)
        own = (np.arange(len(meters.runs)) == column).astype(np.float64)
        patterns.append(np.array(READINGS)[:, None] * own)
    return tuple(answers), np.concatenate(patterns)


def _prior(answers: tuple[Answer, ...], built: Manifold, *, sudden: bool) -> Floats:
    """[P] log of how often each answer is drawn among the faults that come at once, or among those that grow."""
    often: dict[FaultKind, float] = dict.fromkeys(FaultKind, 0.0)
    for kind, (sort, share_sudden) in SORTS.items():
        often[sort] += OFTEN[kind] * (share_sudden if sudden else 1.0 - share_sudden)
    media = {branch.name for branch in built.branches if branch.media}
    clogging = media if media and not sudden else set(built.names)
    places = Counter(sort for sort, _ in set(answers)) | {FaultKind.RESTRICTION: len(clogging)}
    able = [sort is not FaultKind.RESTRICTION or subject in clogging for sort, subject in answers]
    share = np.array([often[sort] / places[sort] for sort, _ in answers])
    with np.errstate(divide="ignore"):
        log_share: Floats = np.log(np.where(able, share, 0.0))
    return log_share


def _changes(engine: Engine, built: Manifold, meters: Meters, asked: Conditions) -> Floats:
    """[T, M] log change of the readings from the first case to each."""
    flow = engine.flows_m3s(asked)
    through = [flow.sum(axis=1) if run == RISER else flow[:, built.names.index(run)] for run in meters.runs]
    shown = meters.shown_m3s(np.stack(through, axis=1))
    changes: Floats = np.log(np.maximum(shown, LEAST_READING * shown[0]) / shown[0])
    return changes

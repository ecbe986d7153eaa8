"""The score of many trials: false alarms, faults found and how soon, causes named and how surely, crossings foretold."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.assessment import FaultKind
from tests.bench.diagnosis_parts.crossing_limit import Least
from tests.bench.diagnosis_parts.faults import SORTS, Answer
from tests.bench.diagnosis_parts.figures import Figure, mean, median, quantile, rate, share
from tests.bench.diagnosis_parts.life import DAY_H
from tests.bench.diagnosis_parts.oracle import HOURS_A_YEAR
from tests.bench.diagnosis_parts.trial import LOOKS_H, Foretold, Named, Trial

SET_SHARE = 0.9
LEAST_PROBABILITY = 1e-3
# An alarm on a healthy plant is put down to what came so many hours before it, at the most.
LINGERS_H = {"logged_speeds": 168.0, "logged_work": 168.0, "pauses": 2.0, "power_cuts": 24.0, "counter_resets": 24.0}
STANDS_H = 48.0
# The bound is in whole hours, one at the least: a look before the hour is over is not held against it.
LEAST_DELAY_H = 1.0
WITHOUT_LOSS = frozenset({"meter_noisy"})

# When a watcher found a trial's fault, hours from the onset; None if it did not.
Delays = Callable[[Trial], float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """How a watcher does on a set of faults: share found, hours to it, that over the bound, flow lost by then (%)."""

    found: Figure
    delay_h: Figure
    over_bound: Figure
    loss_percent: Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Naming:
    """How causes are named, some hours after the alarm: shares right, the 90 % set's coverage and size, log loss."""

    place: Figure
    kind_and_place: Figure
    set_covers: Figure
    set_size: Figure
    log_loss: Figure


def our_delay(trial: Trial) -> float | None:
    """Hours from the onset to our alarm, the wait for readings to be known for good and all."""
    return None if trial.found is None or trial.onset_h is None else trial.found.at_h - trial.onset_h


def oracle_delay(trial: Trial) -> float | None:
    """The same of the oracle."""
    return None if trial.oracle is None or trial.oracle.found_h is None else float(trial.oracle.found_h)


def rule_delay(trial: Trial) -> float | None:
    """The same of the 5 % rule."""
    return _peer_delay(trial, trial.five_percent)


def cusum_delay(trial: Trial) -> float | None:
    """The same of the CUSUM."""
    return _peer_delay(trial, trial.cusum)


def _peer_delay(trial: Trial, alarms_h: tuple[int, ...]) -> float | None:
    onset = trial.onset_h
    if onset is None:
        return None
    return next((hour - onset + 1.0 for hour in alarms_h if onset <= hour < trial.until_h), None)


WATCHERS: dict[str, Delays] = {"ours": our_delay, "oracle": oracle_delay, "5 % rule": rule_delay, "CUSUM": cusum_delay}


def finding(trials: Iterable[Trial], delays: Delays) -> Finding:
    """How a watcher finds the faults among the trials."""
    faulty = [trial for trial in trials if trial.answer is not None]
    found = [(trial, delay) for trial in faulty if (delay := delays(trial)) is not None]
    bounded = [
        max(delay, LEAST_DELAY_H) / trial.oracle.bound_h
        for trial, delay in found
        if trial.oracle is not None and trial.oracle.bound_h is not None
    ]
    return Finding(
        found=share([delays(trial) is not None for trial in faulty]),
        delay_h=median([delay for _, delay in found]),
        over_bound=median(bounded),
        loss_percent=median([loss_percent(trial, delay) for trial, delay in found if trial.kind not in WITHOUT_LOSS]),
    )


def loss_percent(trial: Trial, delay_h: float) -> float:
    """What the fault takes in the hour of the alarm."""
    hour = math.ceil((trial.onset_h or 0) + delay_h) - 1
    return 100.0 * trial.loss[min(hour, trial.hours - 1)]


def false_alarms(
    trials: Sequence[Trial], alarms: Callable[[Trial], Iterable[float]], *, reads_journal: bool = True
) -> Figure:
    """Alarms a branch-year while nothing was wrong.

    Who does not read the journal is not counted from the first change on that it tells of.
    """
    spans = [(trial, *_sound_hours(trial, reads_journal=reads_journal)) for trial in trials]
    count = sum(1 for trial, begin, end in spans for at_h in alarms(trial) if begin <= at_h < end)
    return rate(count, sum((end - begin) * trial.meters for trial, begin, end in spans) / HOURS_A_YEAR)


def branch_years(trials: Sequence[Trial]) -> float:
    """Branch-years in which nothing was wrong and the watch was on."""
    return sum((trial.watched[1] - trial.watched[0]) * trial.meters for trial in trials) / HOURS_A_YEAR


def _sound_hours(trial: Trial, *, reads_journal: bool) -> tuple[int, int]:
    begin, end = trial.watched
    return begin, end if reads_journal else min((*trial.marks["logged_speeds"], *trial.marks["logged_work"], end))


def ours(trial: Trial) -> list[float]:
    """Hours of our alarms."""
    return [said.at_h for said in trial.findings]


@dataclass(frozen=True, slots=True, kw_only=True)
class AfterMarks:
    """After how many things that are no fault we raised an alarm, of how many, and how many it would be by chance."""

    rang: int
    of: int
    by_chance: float


def alarms_after_marks(trials: Sequence[Trial]) -> dict[str, AfterMarks]:
    """Alarms within some hours of what is no fault; by chance: at our rate of false alarms, had it nothing to do with it."""
    watched_h = sum(trial.watched[1] - trial.watched[0] for trial in trials)
    false = sum(1 for trial in trials for at_h in ours(trial) if trial.watched[0] <= at_h < trial.watched[1])
    found = {}
    for mark, lingers_h in LINGERS_H.items():
        rang = there = 0
        for trial in trials:
            begin, end = trial.watched
            marks = [hour for hour in trial.marks[mark] if begin <= hour < end]
            alarms = [at_h for at_h in ours(trial) if begin <= at_h < end]
            there += len(marks)
            rang += sum(any(hour <= at_h <= hour + lingers_h for at_h in alarms) for hour in marks)
        by_chance = there * -math.expm1(-false * lingers_h / max(watched_h, 1))
        found[mark] = AfterMarks(rang=rang, of=there, by_chance=by_chance)
    return found


def further_findings(trials: Sequence[Trial]) -> Figure:
    """Findings beside the first one while a fault lasts (and a day after), a fault."""
    return mean(
        [
            float(sum(trial.found.at_h < said.at_h < trial.until_h for said in trial.findings))
            for trial in trials
            if trial.found is not None
        ]
    )


def place_of(answer: Answer) -> str | None:
    """Where a fault sits; a meter sits on its run. None for the supply."""
    sort, subject = answer
    return subject.removesuffix(" meter") if sort is FaultKind.METER and subject else subject


def naming(trials: Iterable[Trial], named: Callable[[Trial], Named | None]) -> Naming:
    """How well causes are named."""
    cases = [(trial.answer, said) for trial in trials if trial.answer is not None and (said := named(trial))]
    sets = [_set_of(said) for _, said in cases]
    return Naming(
        place=share([place_of(said[0][0]) == place_of(answer) for answer, said in cases]),
        kind_and_place=share([said[0][0] == answer for answer, said in cases]),
        set_covers=share([answer in chosen for (answer, _), chosen in zip(cases, sets, strict=True)]),
        set_size=mean([float(len(chosen)) for chosen in sets]),
        log_loss=mean([-float(np.log(max(dict(said).get(answer, 0.0), LEAST_PROBABILITY))) for answer, said in cases]),
    )


def ours_named(after_h: float) -> Callable[[Trial], Named | None]:
    """Our candidates, so long after the alarm."""
    return lambda trial: None if trial.found is None else trial.found.named(after_h)


def oracle_named(after_h: int) -> Callable[[Trial], Named | None]:
    """The oracle's, at the same time, where we found the fault."""
    place = LOOKS_H.index(after_h)
    return lambda trial: None if trial.found is None or trial.oracle is None else trial.oracle.named[place]


def _set_of(said: Named) -> tuple[Answer, ...]:
    chosen: list[Answer] = []
    carried = 0.0
    for answer, probability in said:
        chosen.append(answer)
        carried += probability
        if carried >= SET_SHARE:
            break
    return tuple(chosen)


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecasting:
    """Forecasts that stood so long before a true crossing.

    Attributes:
        standing: how many of the crossings had one. error_h, covers, width_h: of these. tenth_h: a tenth is further off.
        least_h: how far off the best ones would be in the median, their shape as it is drawn; shape_known_h: given.
    """

    standing: Figure
    error_h: Figure
    tenth_h: Figure
    covers: Figure
    width_h: Figure
    least_h: Figure
    shape_known_h: Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Foretelling:
    """A crossing so many hours ahead, what had been foretold of it, and the best that could be."""

    trial: Trial
    run: str
    lead_h: int
    crossed_h: int
    told: Foretold | None
    least: Least | None

    @property
    def late_h(self) -> float | None:
        """How much later than the truth the forecast is; None without one."""
        return None if self.told is None else self.told.at_h - self.crossed_h


def foretellings(trials: Iterable[Trial], leads_h: Sequence[int]) -> list[Foretelling]:
    """Every crossing that anybody could have foretold, at fixed times before the day's mean crossed the least flow."""
    return [
        Foretelling(
            trial=trial,
            run=run,
            lead_h=lead_h,
            crossed_h=crossed_h,
            told=_standing(trial, run, crossed_h - lead_h),
            least=None if trial.oracle is None else trial.oracle.least.get((run, lead_h)),
        )
        for trial in trials
        for run, crossed_h in trial.crossed_h.items()
        for lead_h in leads_h
        if _fair(trial, crossed_h, crossed_h - lead_h)
    ]


def forecasting(trials: Iterable[Trial], leads_h: Sequence[int]) -> Forecasting:
    """Score the forecasts that a keeper could read at fixed times before the day's mean crossed his least flow."""
    cases = foretellings(trials, leads_h)
    stood = [(case.crossed_h, case.told) for case in cases if case.told is not None]
    least = [case.least for case in cases if case.told is not None and case.least is not None]
    errors_h = [abs(told.at_h - crossed_h) for crossed_h, told in stood]
    return Forecasting(
        standing=share([case.told is not None for case in cases]),
        error_h=median(errors_h),
        tenth_h=quantile(errors_h, 0.9),
        covers=share([told.low_h <= crossed_h <= told.high_h for crossed_h, told in stood]),
        width_h=median([told.high_h - told.low_h for _, told in stood]),
        least_h=median([one.power_drawn_h for one in least]),
        shape_known_h=median([one.power_known_h for one in least]),
    )


def _fair(trial: Trial, crossed_h: float, at_h: float) -> bool:
    """Whether anybody could have foretold it: the fault was a day old, and nobody set the pump's speed in between."""
    began = trial.onset_h is not None and at_h >= trial.onset_h + DAY_H
    return began and not any(at_h - STANDS_H <= hour < crossed_h for hour in trial.marks["logged_speeds"])


def _standing(trial: Trial, run: str, at_h: float) -> Foretold | None:
    """The newest forecast of a run at a time, if it is not old."""
    made = [told for told in trial.forecasts if told.run == run and at_h - STANDS_H <= told.made_h <= at_h]
    return made[-1] if made else None


def kinds_in(trials: Sequence[Trial]) -> list[str]:
    """The kinds of fault that were drawn, in their usual order."""
    drawn = {trial.kind for trial in trials}
    return [kind for kind in SORTS if kind in drawn]

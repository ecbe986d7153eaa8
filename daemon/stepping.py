"""A step of the pump's speed: planned from the database, written into the journal, read from it. Imports numpy."""

import contextlib
import pathlib
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.assessment import Assessment, FaultKind, Finding
from analysis.baseline import Baseline
from analysis.events import Event, EventKind
from analysis.frames import HOUR_S
from analysis.isolability import isolability_of
from analysis.pulses import count_windows
from analysis.signatures import signatures_of
from analysis.speed_step import LEAST_CHANGE, MINUTE_S, SpeedStep, Steps, minute_sd_of, pieces_of, steps_in
from analysis.step_causes import Cause, Found, causes_of
from analysis.step_plan import SHARES, StepPlan, Wanted, example_groups, plan_steps
from analysis.step_reading import MadeStep, StepReading, counts_of, found_of, read_step
from config.errors import InputMissing
from config.plant import Meter, Plant
from config.settings import PlantFile
from daemon import clock
from daemon.assessing import assess_stored, stored_baseline
from daemon.latest import last_minute
from daemon.store.opening import open_reader, storage_errors
from daemon.store.reader import read_events, read_minutes

WINDOWS = 3
STOPPED_PERCENT = -90.0
TOUCHED = ("valve_set", "pump_cleaned")


class StepTooSmallError(ValueError):
    """A speed to step to that is the speed now, or nearly; the text says what to write instead."""


Tell = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A plan, and the finding that it is for."""

    plan: StepPlan
    finding: Finding | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """A reading, and the finding that was open when the step began."""

    reading: StepReading
    finding: Finding | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """What the database holds, up to `now_s`."""

    baseline: Baseline
    events: tuple[Event, ...]
    now_s: float


def plan_stored(
    plant_file: PlantFile, db: pathlib.Path, *, to: Sequence[float], seconds: float, tell: Tell | None = None
) -> Planned:
    """Plan a step of so many seconds from the speed now, for the finding that is open.

    Args:
        plant_file: the plant.
        db: the database.
        to: speeds to try, fractions of full speed; a few lower ones where there are none.
        seconds: how long the step is to last.
        tell: is told how many hours are judged, and of how many.

    Raises:
        InputMissing: no database, no readings, or the plant has not been commissioned.
        StepTooSmallError: a speed that is hardly another one.
    """
    plant = plant_file.plant
    kept = _kept(plant_file, db, None)
    speed = _speed_at(kept.events, plant.pump.speed, kept.now_s)
    near = [other for other in to if abs(other / speed - 1.0) < LEAST_CHANGE]
    if near:
        raise StepTooSmallError(
            f"{100 * near[0]:.4g} % is hardly a step: the pump is set to {100 * speed:.4g} % by the journal, "
            f"and a step changes it by {LEAST_CHANGE:.0%} at least"
        )
    assessment = _assessment(plant_file, db, kept, kept.now_s, tell)
    finding = _open_finding(assessment)
    found = found_of(plant, kept.baseline)
    steps = steps_in(kept.events, plant.pump.speed, kept.now_s)
    healthy = [step for step in steps.found if _is_healthy(step, assessment, finding, kept)]
    return Planned(
        finding=finding,
        plan=plan_steps(
            plant,
            found,
            kept.baseline,
            Wanted(
                finding=None if finding is None else finding.id,
                groups=_examples(plant, found, kept.baseline)
                if finding is None
                else (causes_of(finding.candidates, plant.gauge_kinds),),
                speed=speed,
                to=tuple(to) or tuple(share * speed for share in SHARES),
                seconds=seconds,
                references=_made(plant, db, kept, healthy[::-1]),
            ),
        ),
    )


def read_stored(plant_file: PlantFile, db: pathlib.Path, *, at_s: float | None, tell: Tell | None = None) -> Read:
    """Read the last step that was over at `at_s` (or now), by nothing later than that.

    Raises:
        InputMissing: no database, no readings, no step, or the plant has not been commissioned.
    """
    plant = plant_file.plant
    kept = _kept(plant_file, db, at_s)
    steps = steps_in(kept.events, plant.pump.speed, kept.now_s)
    if not steps.found:
        raise InputMissing(_no_step(plant_file, db, steps, kept.now_s))
    step = steps.found[-1]
    (made,) = _made(plant, db, kept, [step])
    if not (made.counts.pulses[:2] > 0).all(axis=0).any():
        raise InputMissing(
            f"{db}: there are no readings of the step of {clock.utc_text(step.begin_s)}: it takes two readings of a "
            "meter within the step and two before it; older minutes are dropped after `minutes_kept_days`"
        )
    assessment = _assessment(plant_file, db, kept, step.begin_s, tell)
    finding = _open_finding(assessment)
    equal = [
        other
        for other in steps.found[:-1]
        if other.is_like(step.before, step.during) and _is_healthy(other, assessment, finding, kept)
    ]
    reference = _made(plant, db, kept, equal[-1:])
    reading = read_step(
        found_of(plant, kept.baseline),
        kept.baseline,
        made,
        () if finding is None else causes_of(finding.candidates, plant.gauge_kinds),
        reference[0] if reference else None,
    )
    return Read(reading=reading, finding=finding)


def _kept(plant_file: PlantFile, db: pathlib.Path, at_s: float | None) -> _Kept:
    with contextlib.closing(open_reader(db)) as connection, storage_errors(db):
        baseline = stored_baseline(connection, plant_file, db)
        events = read_events(connection)
        newest = last_minute(connection)
    if newest is None:
        raise InputMissing(f"{db}: there are no readings: `clearbore load` or `clearbore collect` brings them in")
    now_s = newest * MINUTE_S
    return _Kept(baseline=baseline, events=events, now_s=now_s if at_s is None else min(now_s, at_s))


def _assessment(
    plant_file: PlantFile, db: pathlib.Path, kept: _Kept, at_s: float, tell: Tell | None
) -> Assessment | None:
    """What was known at a time; None while the plant was being commissioned."""
    if at_s <= kept.baseline.to_s:
        return None
    return assess_stored(plant_file, db, until_s=at_s, isolability=False, tell=tell).assessment


def _open_finding(assessment: Assessment | None) -> Finding | None:
    """The latest finding that stands, but for a pump that stands still: there is nothing to step."""
    if assessment is None:
        return None
    standing = [finding for finding in assessment.findings if finding.cleared_at_s is None and not _is_stop(finding)]
    return max(standing, key=lambda finding: finding.raised_at_s, default=None)


def _is_stop(finding: Finding) -> bool:
    first = finding.candidates[0]
    return first.kind is FaultKind.SUPPLY and first.flow_change_percent <= STOPPED_PERCENT


def _is_healthy(step: SpeedStep, assessment: Assessment | None, finding: Finding | None, kept: _Kept) -> bool:
    """Whether nothing was wrong in a step, and nothing was set otherwise from then until the finding began.

    A finding that began within an hour of the step is the step itself.
    """
    if finding is None or assessment is None or step.end_s >= finding.onset_low_s:
        return False
    ill = any(
        other.onset_low_s < step.begin_s - HOUR_S and (other.cleared_at_s is None or other.cleared_at_s > step.begin_s)
        for other in assessment.findings
    )
    touched = any(
        event.kind is EventKind.MAINTENANCE
        and event.value in TOUCHED
        and step.end_s <= event.at_s <= finding.onset_low_s
        for event in kept.events
    )
    return not ill and not touched


def _speed_at(events: Sequence[Event], written: float, at_s: float) -> float:
    entries = [event for event in events if event.kind is EventKind.PUMP_SPEED and event.at_s <= at_s]
    last = max(entries, key=lambda event: event.at_s, default=None)
    return written if last is None else float(last.value) / 100.0


def _examples(plant: Plant, found: Found, baseline: Baseline) -> tuple[tuple[Cause, ...], ...]:
    signatures = signatures_of(plant, found.network, found.state, baseline.meters)
    return example_groups(plant, isolability_of(signatures, baseline.meter_noise))


def _made(plant: Plant, db: pathlib.Path, kept: _Kept, steps: Sequence[SpeedStep]) -> tuple[MadeStep, ...]:
    """Steps with what was counted of them, up to the whole minute before now."""
    by_name = {meter.name: meter for meter in plant.meters}
    meters = [by_name[name] for name in kept.baseline.meters]
    with contextlib.closing(open_reader(db)) as connection, storage_errors(db):
        return tuple(_counted(connection, meters, kept, step) for step in steps)


def _counted(connection: sqlite3.Connection, meters: Sequence[Meter], kept: _Kept, step: SpeedStep) -> MadeStep:
    ids = dict(connection.execute("SELECT name, id FROM meter").fetchall())
    columns = {ids[meter.name]: column for column, meter in enumerate(meters) if meter.name in ids}
    windows = [(round(start * 1000), round(min(end, kept.now_s) * 1000)) for start, end in step.windows_s]
    frame = read_minutes(
        connection,
        columns,
        from_minute=windows[0][0] // 60_000,
        to_minute=min(windows[2][1] // 60_000 + 1, int(kept.now_s // MINUTE_S)),
    )
    bits = np.array([meter.counter_bits for meter in meters], dtype=np.int64)
    pieces = [piece for piece in pieces_of(step) if piece[2] <= kept.now_s]
    spans = windows + [(round(start * 1000), round(end * 1000)) for _, start, end in pieces]
    pulses, seconds = count_windows(frame, spans, bits=bits, usual_hz=kept.baseline.pulses_hz(meters, kept.events))
    scatter = minute_sd_of([piece[0] for piece in pieces], pulses[WINDOWS:], seconds[WINDOWS:])
    counts = counts_of(pulses[:WINDOWS], seconds[:WINDOWS], meters, kept.events, at_s=step.begin_s)
    return MadeStep(step=step, counts=replace(counts, minute_sd=scatter))


def _no_step(plant_file: PlantFile, db: pathlib.Path, steps: Steps, now_s: float) -> str:
    why = f" ({steps.refused[-1]})" if steps.refused else ""
    return (
        f"{db}: the journal holds no step of the pump's speed up to {clock.utc_text(now_s)}, to another speed and back "
        f"within 3 to 60 minutes{why}. Plan one: clearbore steptest {plant_file.path} --plan"
    )

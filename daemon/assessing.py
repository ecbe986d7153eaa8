"""From the database to an assessment: read, commission, assess. Imports numpy: for short-lived processes only."""

import contextlib
import hashlib
import pathlib
import sqlite3
from collections.abc import Callable
from dataclasses import Field, dataclass, fields, is_dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.assess import assess
from analysis.assessment import Assessment
from analysis.baseline import Baseline
from analysis.baseline_text import from_json, to_json
from analysis.calibration import flow_of
from analysis.carried import by_last_factors
from analysis.commissioning import commission
from analysis.detection.memory import Memory
from analysis.events import Event
from analysis.frames import HOUR_S, HourFrame
from analysis.gauges import without_hours
from analysis.joining import join
from analysis.patience import GAP_S, LONGEST_GAP_S
from analysis.speeds import speeds_of
from config.errors import InputMissing, StoreError
from config.plant import Gauge, Plant, Pump
from config.settings import PlantFile
from daemon.latest import last_minute
from daemon.store.baselines import BaselineRow, latest_baseline, save_baseline
from daemon.store.hours import bring_up_to_date
from daemon.store.memories import keep_memory, read_memories
from daemon.store.opening import open_reader, open_writer_beside, storage_errors
from daemon.store.prepare import prepare_store
from daemon.store.reader import read_events, read_hours, with_gauges
from daemon.upkeep import second_writer

WEEK_S = 7 * 86_400


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessed:
    """An assessment, and the journal and the baseline that it was made with."""

    assessment: Assessment
    events: tuple[Event, ...]
    baseline: Baseline


def placed_meters(plant: Plant) -> tuple[str, ...]:
    """The meters that sit on a run: the others tell nothing of the manifold."""
    return tuple(meter.name for meter in plant.meters if plant.run_of_meter(meter.name) is not None)


def commission_stored(
    plant_file: PlantFile, db: pathlib.Path, *, from_s: float | None, to_s: float | None, made_s: float
) -> Baseline:
    """Fit the plant to the healthy days from `from_s` (or the first reading) to `to_s` (or a week on), and keep it.

    Raises:
        InputMissing: no database, or too few readings.
        StoreError: the database cannot be read or written.
    """
    plant = plant_file.plant
    meters = placed_meters(plant)
    with contextlib.closing(open_reader(db)) as connection, storage_errors(db):
        bring_up_to_date(connection, plant_file.plant.meters)
        first = with_gauges(connection, read_hours(connection, meters, from_s=from_s), plant.gauges)
        events = read_events(connection)
        known = last_minute(connection)
    if first.hours <= 0:
        raise InputMissing(_nothing_to_fit(known, db))
    end_s = to_s if to_s is not None else first.start_s + WEEK_S
    frame = _until(first, end_s)
    baseline = _commissioned(plant, frame, events)
    _keep_baseline(plant, db, baseline, made_s)
    return baseline


def _keep_baseline(plant: Plant, db: pathlib.Path, baseline: Baseline, made_s: float) -> None:
    prepare_store(db)
    with contextlib.closing(open_writer_beside(db)) as connection, storage_errors(db):
        save_baseline(
            connection,
            BaselineRow(
                made_ms=int(made_s * 1000),
                from_ms=baseline.from_s * 1000,
                to_ms=baseline.to_s * 1000,
                plant_digest=plant_digest(plant),
                body=to_json(baseline),
            ),
        )


def _nothing_to_fit(newest: int | None, db: pathlib.Path) -> str:
    """Why there are no hours: no readings, or none that give a flow."""
    if newest is None:
        return f"{db}: there are no readings: `clearbore load` or `clearbore collect` brings them in"
    return (
        f"{db}: the readings of this time give no flow: it takes two readings of a meter no more than "
        f"{GAP_S // 60} minutes apart, or {LONGEST_GAP_S // 60} of one that is always as slow"
    )


def assess_stored(  # noqa: PLR0913 - what is assessed and how, by name
    plant_file: PlantFile,
    db: pathlib.Path,
    *,
    until_s: float | None,
    isolability: bool = True,
    watching: bool = False,
    tell: Callable[[int, int], None] | None = None,
) -> Assessed:
    """Assess what a database holds, up to `until_s` (UTC epoch seconds) or its last reading.

    What the assessment knows in the end is kept for the next one, where the database can be written.

    Args:
        plant_file: the plant.
        db: the database.
        until_s: nothing later is used.
        isolability: whether to say which faults can be told apart.
        watching: as of `open_reader`.
        tell: is told how many hours are judged, and of how many.

    Raises:
        InputMissing: no database, no readings up to then, or the plant has not been commissioned.
        StoreError: the database cannot be read.
    """
    with contextlib.closing(open_reader(db, watching=watching)) as connection, storage_errors(db):
        baseline = stored_baseline(connection, plant_file, db)
        bring_up_to_date(connection, plant_file.plant.meters)
        now_s = _now_s(connection, until_s)
        frame = read_hours(connection, baseline.meters, from_s=baseline.from_s)
        gauges = [gauge for gauge in plant_file.plant.gauges if gauge.name in baseline.gauge_names]
        frame = with_gauges(connection, frame, gauges)
        events = read_events(connection)
        memories = read_memories(connection)
    if now_s is None or frame.hours <= 0 or now_s <= baseline.to_s:
        until = "" if until_s is None else " up to the time asked for"
        raise InputMissing(
            f"{db}: there are no readings after the commissioning{until}: "
            "`clearbore load` or `clearbore collect` brings them in"
        )
    known = assess(plant_file, baseline, frame, events, now_s, isolability=isolability, memories=memories, tell=tell)
    if known.memory is not None and until_s is None:
        _keep(db, known.memory)
    return Assessed(assessment=known, events=events, baseline=baseline)


def _keep(db: pathlib.Path, memory: Memory) -> None:
    """Keep a memory if the database can be written now; without it the next assessment takes longer, no more."""
    with contextlib.suppress(StoreError), second_writer(db, can_be_redone=True) as connection:
        keep_memory(connection, memory)


def _now_s(connection: sqlite3.Connection, until_s: float | None) -> float | None:
    """The minute of the newest reading, or the time asked for if that is earlier; UTC epoch seconds."""
    newest = last_minute(connection)
    if newest is None:
        return None
    return float(newest * 60) if until_s is None else min(float(newest * 60), until_s)


def stored_baseline(connection: sqlite3.Connection, plant_file: PlantFile, db: pathlib.Path) -> Baseline:
    """The plant as it was commissioned last.

    Raises:
        InputMissing: not commissioned, or the plant file has changed since.
    """
    stored = latest_baseline(connection)
    if stored is None:
        raise InputMissing(
            f"{db}: the plant has not been commissioned: "
            f"run `clearbore commission {plant_file.path}` on a few healthy days first"
        )
    if stored.plant_digest != plant_digest(plant_file.plant):
        raise InputMissing(
            f"{plant_file.path}: the plant file has changed since the plant was commissioned: "
            f"run `clearbore commission {plant_file.path}` again"
        )
    return from_json(stored.body)


_LATER = {(Pump, "power"), (Gauge, "reads"), (Gauge, "source")}


def plant_digest(plant: Plant) -> str:
    """A name for the plant as the hydraulics and the meters know it; names, targets and ports do not enter."""
    bare = replace(
        plant,
        name="",
        flow_unit="",
        timezone="",
        serial_ports=(),
        brokers=(),
        runs=tuple(replace(run, target=None) for run in plant.runs),
        meters=tuple(replace(meter, source=None) for meter in plant.meters),
        gauges=tuple(replace(gauge, source=None) for gauge in plant.gauges),
    )
    told = _plain(bare)
    if isinstance(told, list) and not plant.gauges:
        told = told[:-1]  # a plant without gauges is called as it was before there were any
    return hashlib.sha256(repr(told).encode()).hexdigest()[:16]


def _plain(value: object) -> object:
    """Records as lists and numbers to nine digits: a length in another unit is the same length."""
    if isinstance(value, float):
        return f"{value:.9g}"
    if isinstance(value, tuple):
        return [_plain(part) for part in value]
    if is_dataclass(value) and not isinstance(value, type):
        told = [(field, getattr(value, field.name)) for field in fields(value)]
        return [type(value).__name__, *(_plain(part) for field, part in told if not _unsaid(value, field, part))]
    return value


def _unsaid(record: object, field: Field[Any], value: object) -> bool:
    """Whether a value is as it was before plant files could say it: then the plant is called as it was."""
    return (type(record), field.name) in _LATER and value == field.default


def join_stored(  # noqa: PLR0913 - what is commissioned, of which days, and when
    plant_file: PlantFile, db: pathlib.Path, meter: str, *, from_s: float, to_s: float | None, made_s: float
) -> Baseline:
    """Commission one meter beside those that are, on its healthy days from `from_s` to `to_s` (or a week on), and keep it.

    Raises:
        InputMissing: not commissioned, the meter is already, or too few readings of it.
        StoreError: the database cannot be read or written.
    """
    plant = plant_file.plant
    with contextlib.closing(open_reader(db)) as connection, storage_errors(db):
        bring_up_to_date(connection, plant.meters)
        baseline = stored_baseline(connection, plant_file, db)
        if meter in baseline.meters:
            raise InputMissing(f"{meter}: it is commissioned. To commission all meters anew, leave --meter out")
        meters = tuple(name for name in placed_meters(plant) if name in {*baseline.meters, meter})
        whole = read_hours(connection, meters, from_s=from_s)
        events = read_events(connection)
    frame = _until(whole, to_s if to_s is not None else whole.start_s + WEEK_S)
    other = _at_other_speeds(frame, events, plant, baseline.speed)
    flow = np.where(other[:, None], np.nan, flow_of(frame, by_last_factors(plant.meters, events, frame.end_s)))
    joined = join(plant, baseline, frame, flow, meter, events)
    _keep_baseline(plant, db, joined, made_s)
    return joined


def _at_other_speeds(frame: HourFrame, events: tuple[Event, ...], plant: Plant, speed: float) -> NDArray[np.bool_]:
    """[T] hours that the pump did not run throughout at a speed."""
    speeds = speeds_of(frame, events, plant.pump.speed)
    other: NDArray[np.bool_] = speeds.mixed | (speeds.after != speed)
    return other


def _commissioned(plant: Plant, frame: HourFrame, events: tuple[Event, ...]) -> Baseline:
    """Fit the hours at the speed that the pump has in the end; hours at another say nothing of that one."""
    speeds = speeds_of(frame, events, plant.pump.speed)
    speed = float(speeds.after[-1]) if frame.hours else plant.pump.speed
    other = _at_other_speeds(frame, events, plant, speed)
    # a meter that was calibrated within the healthy days was the same meter before
    meters = by_last_factors(plant.meters, events, frame.end_s)
    flow = np.where(other[:, None], np.nan, flow_of(frame, meters))
    try:
        return commission(plant, without_hours(frame, other), flow, speed=speed)
    except InputMissing as error:
        if not other.any():
            raise
        raise InputMissing(
            f"{error}. The journal has the pump at another speed than {100 * speed:g} % in {int(other.sum())} of these "
            f"{frame.hours} hours, which do not count"
        ) from error


def _until(frame: HourFrame, end_s: float) -> HourFrame:
    return frame.until(max(min(int((end_s - frame.start_s) // HOUR_S), frame.hours), 0))

"""The two entries of a step of the pump's speed: down, and back up. Standard library only."""

import contextlib
import pathlib
import sqlite3
from collections.abc import Iterable, Iterator

from analysis.events import Event, EventKind
from config.errors import InputMissing
from config.plant import PUMP_NODE, Plant
from daemon.journal_entry import make_event
from daemon.store.journal import add_events, read_events
from daemon.store.opening import open_writer_beside, storage_errors
from daemon.store.prepare import prepare_store

BY_STEP = "steptest"
LONGEST_S = 3600.0


def write_begin(plant: Plant, db: pathlib.Path, *, speed: float, at_s: float) -> Event:
    """Write down that the pump runs at another speed for the time being.

    Raises:
        EventRefused: no speed that can be.
        StoreError: the database cannot be written.
    """
    event = make_event(
        plant, at_s=at_s, kind=EventKind.PUMP_SPEED.value, target=PUMP_NODE, value=f"{100.0 * speed:.6g}"
    )
    with _opened(db) as connection:
        add_events(connection, [event], source=BY_STEP)
    return event


def write_end(plant: Plant, db: pathlib.Path, *, at_s: float) -> Event:
    """Write down that the pump is back at the speed from before the step.

    Raises:
        InputMissing: no step is under way.
        StoreError: the database cannot be written.
    """
    with _opened(db) as connection:
        event = _end_event(plant, db, read_events(connection), at_s=at_s)
        add_events(connection, [event], source=BY_STEP)
    return event


def _end_event(plant: Plant, db: pathlib.Path, events: Iterable[Event], *, at_s: float) -> Event:
    """The entry that ends the step under way.

    Raises:
        InputMissing: there is none.
    """
    earlier = [event for event in events if event.kind is EventKind.PUMP_SPEED and event.at_s <= at_s]
    if not earlier or at_s - earlier[-1].at_s > LONGEST_S:
        raise InputMissing(
            f"{db}: no step is under way: the journal has no change of the pump's speed in the hour before. "
            "`--begin` writes one; an older change is ended with `clearbore journal PLANT pump_speed pump PERCENT`"
        )
    before = earlier[-2].value if len(earlier) > 1 else f"{100.0 * plant.pump.speed:.6g}"
    if before == earlier[-1].value:
        raise InputMissing(f"{db}: no step is under way: the pump is at {before} % already")
    return make_event(plant, at_s=at_s, kind=EventKind.PUMP_SPEED.value, target=PUMP_NODE, value=before)


@contextlib.contextmanager
def _opened(db: pathlib.Path) -> Iterator[sqlite3.Connection]:
    """The database for writing, made or brought up to date first."""
    prepare_store(db)
    with storage_errors(db), contextlib.closing(open_writer_beside(db)) as connection:
        yield connection

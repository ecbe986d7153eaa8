"""What the meters of a plant file can tell apart, with the commissioned plant of a database where there is one.

Imports numpy: for short-lived processes only.
"""

import contextlib
import pathlib

from analysis.baseline import Baseline
from analysis.telling_apart import ToldApart, told_apart
from config.errors import InputMissing, NoSolution, StoreError
from config.settings import PlantFile
from daemon.assessing import placed_meters, stored_baseline
from daemon.progress import shown
from daemon.store.opening import open_reader, storage_errors


def of_plant_file(
    plant_file: PlantFile, db: pathlib.Path, *, database_named: bool
) -> tuple[ToldApart | None, str | None]:
    """What can be told apart, and what the keeper should know of how it was worked out or why it could not be.

    Args:
        plant_file: the plant.
        db: where the plant as commissioned is looked for.
        database_named: whether the keeper named it: then it must hold the commissioned plant.

    Raises:
        InputMissing: `database_named`, and there is none, or it does not hold this plant as commissioned.
        StoreError: `database_named`, and it cannot be read.
    """
    plant = plant_file.plant
    if not placed_meters(plant):
        return None, "no meter sits on a run: no fault can be seen, let alone told from another"
    baseline, note = _baseline(plant_file, db, must=database_named)
    with shown("Trying one more meter") as tell:
        try:
            return told_apart(plant, baseline, tell=tell), note
        except NoSolution as error:
            return None, f"which faults the meters tell apart cannot be worked out: {error}"


def _baseline(plant_file: PlantFile, db: pathlib.Path, *, must: bool) -> tuple[Baseline | None, str | None]:
    """The plant as commissioned, or why that of a database that is there is not used."""
    if not must and not db.exists():
        return None, None
    try:
        with contextlib.closing(open_reader(db)) as connection, storage_errors(db):
            return stored_baseline(connection, plant_file, db), None
    except (InputMissing, StoreError) as error:
        if must:
            raise
        return None, f"reckoned without the commissioned plant: {error}"

"""How the plant is watched: frozen settings with defaults that need no writing."""

from dataclasses import dataclass

from config.plant import Plant
from config.time_service import CLOCK_SET_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmSettings:
    """When a finding is raised.

    `false_alarms_per_branch_year` is what the keeper accepts on a healthy plant.
    """

    false_alarms_per_branch_year: float = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreSettings:
    """What the database keeps; hours are kept for ever.

    Attributes:
        clock_set_file: a file that is there once the clock is set, and touched each time that it is set again.
        backup_folder: where copies of the database go, from the plant file's folder on.
        backups_kept: how many copies are kept there.
    """

    minutes_kept_days: int = 400
    quarantine_kept_lines: int = 10_000
    clock_set_file: str = CLOCK_SET_FILE
    backup_folder: str = "backups"
    backups_kept: int = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSettings:
    """What the report looks back on, and the day of the week on which a running collector has it written."""

    trend_days: int = 28
    weekly_on: str = "mon"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """All settings of a plant file."""

    alarms: AlarmSettings = AlarmSettings()
    store: StoreSettings = StoreSettings()
    report: ReportSettings = ReportSettings()


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantFile:
    """A plant file, read: the plant, how it is watched, and where it was read from."""

    path: str
    plant: Plant
    settings: Settings

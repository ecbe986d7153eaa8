"""The weekly job: the report of the week before, as `clearbore report --week` writes it. Imports matplotlib."""

import datetime as dt
import pathlib
from zoneinfo import ZoneInfo

from config.settings import PlantFile
from daemon.commands.report import command


def write_report(plant_file: PlantFile, db: pathlib.Path, *, now_s: float) -> str:
    """Write the report of the last ISO week that is over by the plant's clock, and say which.

    Raises:
        ClearboreError: as the command does.
    """
    week = week_before(now_s, plant_file.plant.timezone)
    command.main([plant_file.path, "--db", str(db), "--week", week], prog_name="report", standalone_mode=False)
    return f"report of {week} written"


def week_before(now_s: float, timezone: str) -> str:
    """The ISO week before the running one, like 2026-W47."""
    today = dt.datetime.fromtimestamp(now_s, ZoneInfo(timezone)).date()
    year, week, _day = (today - dt.timedelta(days=7)).isocalendar()
    return f"{year}-W{week:02d}"

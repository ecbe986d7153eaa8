"""The sample stories: where they are kept, and what each says of itself."""

import datetime as dt
import pathlib
import tomllib
from dataclasses import dataclass
from typing import Any

from config.errors import InputMissing
from daemon import clock

PLANT_FILE = "lagoon_rack.toml"
LIST_FILE = "stories.toml"


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """A sample story.

    Attributes:
        shows: what happens in it. promise: what must be found.
        log, events: its files; None where the keeper noted nothing.
        commission_to: up to here the plant was healthy, ISO 8601 UTC.
    """

    name: str
    title: str
    shows: str
    promise: str
    log: pathlib.Path
    events: pathlib.Path | None
    commission_to: str


def sample_folder() -> pathlib.Path:
    """The folder of the sample logs: inside the installed package, or beside it in a checkout.

    Raises:
        InputMissing: if neither holds them.
    """
    package = pathlib.Path(__file__).resolve().parent
    places = (package / "sample_logs", package.parent / "sample_logs")
    for place in places:
        if (place / LIST_FILE).is_file():
            return place
    looked = " or ".join(str(place) for place in places)
    raise InputMissing(f"the sample logs are not there (looked in {looked}): install Clearbore again")


def stories(folder: pathlib.Path) -> tuple[Story, ...]:
    """All stories of the folder, in the order in which its list tells them."""
    entries = tomllib.loads((folder / LIST_FILE).read_text(encoding="utf-8"))["story"]
    return tuple(_story(folder, entry) for entry in entries)


def story_named(name: str, told: tuple[Story, ...]) -> Story:
    """The story of that name.

    Raises:
        InputMissing: if there is none; the message lists those there are.
    """
    for story in told:
        if story.name == name:
            return story
    names = ", ".join(story.name for story in told)
    raise InputMissing(f"there is no sample story {name!r}; there are: {names}")


def _story(folder: pathlib.Path, entry: dict[str, Any]) -> Story:
    commission_to: dt.datetime = entry["commission_to"]
    return Story(
        name=entry["name"],
        title=entry["title"],
        shows=" ".join(entry["shows"].split()),
        promise=entry["promise"],
        log=folder / entry["log"],
        events=folder / entry["events"] if "events" in entry else None,
        commission_to=clock.utc_text(commission_to.timestamp()),
    )

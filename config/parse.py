"""A plant file's text to records, or to every fault of it at once."""

import tomllib
from typing import Any

from pydantic import ValidationError

from config.document import Document
from config.errors import Fault, PlantFileError
from config.settings import PlantFile


def parse_plant(text: str, *, file: str) -> PlantFile:
    """Read the text of a plant file.

    Args:
        text: TOML.
        file: where it came from, for messages.

    Raises:
        PlantFileError: with every fault.
    """
    try:
        raw: dict[str, Any] = tomllib.loads(text)
        document = Document.model_validate(raw)
    except ValidationError as error:
        faults = tuple(Fault(line=0, where=str(e["loc"]), what=e["msg"]) for e in error.errors(include_url=False))
        raise PlantFileError(file, faults) from None
    return PlantFile(path=file, plant=document.plant_record(), settings=document.settings_record())

"""Read a plant file: the only disk access of this floor."""

from pathlib import Path

from config.errors import InputMissing
from config.parse import parse_plant
from config.settings import PlantFile


def load_plant(path: str | Path) -> PlantFile:
    """Read a plant file.

    Raises:
        InputMissing: if there is no such file.
        PlantFileError: with every fault of the file at once.
    """
    try:
        data = Path(path).read_bytes()
    except FileNotFoundError:
        raise InputMissing(f"{path}: there is no such plant file") from None
    return parse_plant(data.decode("utf-8-sig"), file=str(path))

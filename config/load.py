"""Read a plant file: the only disk access of this floor."""

from pathlib import Path

from config.errors import Fault, InputMissing, InputUnusable, PlantFileError
from config.parse import parse_plant
from config.settings import PlantFile

MAX_BYTES = 2_000_000  # a thousand runs of a hundred elements; anything larger is not a plant file


def load_plant(path: str | Path) -> PlantFile:
    """Read a plant file.

    Raises:
        InputMissing: if there is no such file.
        InputUnusable: if it is there and cannot be opened.
        PlantFileError: with every fault of the file at once.
    """
    data = _read(Path(path))
    if len(data) > MAX_BYTES:
        raise PlantFileError(str(path), (_whole_file(0, f"larger than {MAX_BYTES:,} bytes: is this a plant file?"),))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        what = "not UTF-8 text: save the file as UTF-8"
        raise PlantFileError(str(path), (_whole_file(line, what),)) from None
    return parse_plant(text, file=str(path))


def _read(path: Path) -> bytes:
    """The bytes of the file, one more than is allowed at the most."""
    try:
        with path.open("rb") as file:
            return file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise InputMissing(f"{path}: there is no such plant file") from None
    except IsADirectoryError:
        raise InputUnusable(f"{path}: this is a folder; name the plant file in it") from None
    except (OSError, ValueError) as error:
        raise InputUnusable(f"{path}: cannot be opened: {error}") from None


def _whole_file(line: int, what: str) -> Fault:
    """A fault of the file as a whole."""
    return Fault(line=line, where="plant file", what=what)

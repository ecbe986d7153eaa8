"""Every error that is raised on purpose, as one tree.

ClearboreError                 says what is wrong, where, and what to do; carries the exit code of the command line
├── PlantFileError       78    the plant file has faults: all of them at once
├── QuantityError        78    a quantity cannot be read ("1,5 L/min", "400")
├── ChangeError           2    a change to be tried on a plant cannot be read, or finds nothing there
├── InputMissing         66    a file or a database that is not there, or holds nothing to work on
├── InputUnusable        65    a file that is there and cannot be what it should be
├── SourceUnavailable    69    a port or broker cannot be reached
├── StoreError           74    the database cannot be read or written, or is newer than the program
├── OutputUnwritable     74    a file that was to be written cannot be
├── ExtraMissing         69    a command needs packages that the base install leaves out
└── NoSolution           70    the hydraulics found no operating point
"""

from dataclasses import dataclass


class ClearboreError(Exception):
    """An expected failure: its text is all that the keeper sees."""

    exit_code = 70


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault of a plant file.

    Attributes:
        line: 1-based line in the file; 0 where none can be named.
        where: the key's path in the keeper's words, list entries by their name (`run carbon: path[2]: pipe`).
        what: what is wrong and what to write instead.
        pointer: the same place as an RFC 6901 JSON Pointer.
    """

    line: int
    where: str
    what: str
    pointer: str = ""


class PlantFileError(ClearboreError):
    """A plant file with faults; `str()` gives one `file:line: where: what` a line."""

    exit_code = 78

    def __init__(self, file: str, faults: tuple[Fault, ...]) -> None:
        self.file = file
        self.faults = faults
        super().__init__("\n".join(f"{file}:{fault.line}: {fault.where}: {fault.what}" for fault in faults))


class QuantityError(ClearboreError, ValueError):
    """A quantity that cannot be read."""

    exit_code = 78


class ChangeError(ClearboreError):
    """A change to be tried on a plant cannot be read, or finds nothing there to change."""

    exit_code = 2


class InputMissing(ClearboreError):  # noqa: N818 - the name says what happened
    """Something to read is not there."""

    exit_code = 66


class InputUnusable(ClearboreError):  # noqa: N818 - the name says what happened
    """Something to read is there and of no use."""

    exit_code = 65


class SourceUnavailable(ClearboreError):  # noqa: N818 - the name says what happened
    """A serial port or broker cannot be reached."""

    exit_code = 69


class StoreError(ClearboreError):
    """The database cannot be read or written."""

    exit_code = 74


class OutputUnwritable(ClearboreError):  # noqa: N818 - the name says what happened
    """A file that was to be written cannot be."""

    exit_code = 74


class ExtraMissing(ClearboreError):  # noqa: N818 - the name says what happened
    """The base install lacks what this command needs."""

    exit_code = 69

    def __init__(self, command: str, package: str) -> None:
        super().__init__(
            f"`clearbore {command}` needs {package}, which the base install leaves out: "
            "install Clearbore with its extra, pip install 'clearbore[all]'"
        )


class NoSolution(ClearboreError):  # noqa: N818 - the name says what happened
    """The hydraulic network has no operating point that the solver can find."""

    exit_code = 70

"""Power cuts from a record of writes (fault_record.c): what a card may hold when the power goes, and what must hold then.

A card keeps what was synced. Of what was written since, it may have kept any part, in any order, sector by sector. The
making and naming of files is taken to be durable at once, as is a file's removal: the folder's own sync is not modelled.
"""

import dataclasses
import pathlib
import random
import struct
from collections.abc import Iterator, Sequence

SECTOR = 512
_HEAD = struct.Struct("<cqII")


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """One operation: `kind` W, T, S or U, `offset` (the length for T), and what was written."""

    kind: str
    name: str
    offset: int
    data: bytes


@dataclasses.dataclass(slots=True)
class File:
    """A file on the card: what is durable, and what was done since."""

    durable: bytearray
    since: list[Operation]

    def sync(self) -> None:
        """All of it is durable."""
        for operation in self.since:
            apply(self.durable, operation)
        self.since = []

    def after_cut(self, chance: random.Random) -> bytes:
        """What may be left: of each operation since the last sync all, nothing, or some sectors; in any order."""
        left = bytearray(self.durable)
        pending = list(self.since)
        if chance.random() < 0.5:
            chance.shuffle(pending)
        for piece in (piece for operation in pending for piece in kept(operation, chance)):
            apply(left, piece)
        return bytes(left)


class Card:
    """The files of one folder, operation by operation.

    Args:
        lies: the card says that it has synced, and has not.
    """

    def __init__(self, *, lies: bool = False) -> None:
        self.files: dict[str, File] = {}
        self._lies = lies

    def do(self, operation: Operation) -> None:
        """One operation more."""
        if operation.kind == "U":
            self.files.pop(operation.name, None)
            return
        file = self.files.setdefault(operation.name, File(bytearray(), []))
        if operation.kind != "S":
            file.since.append(operation)
        elif not self._lies:
            file.sync()


def read_record(path: pathlib.Path) -> Iterator[Operation]:
    """The operations of a record, in order; names without their folder."""
    record = path.read_bytes()
    at = 0
    while at < len(record):
        kind, offset, name_length, length = _HEAD.unpack_from(record, at)
        at += _HEAD.size
        name = record[at : at + name_length].decode()
        data = record[at + name_length : at + name_length + length]
        at += name_length + length
        yield Operation(kind=kind.decode(), name=pathlib.PurePath(name).name, offset=offset, data=data)


def apply(content: bytearray, operation: Operation) -> None:
    """Do one operation to the content of a file."""
    if operation.kind == "T":
        del content[operation.offset :]
        content.extend(bytes(operation.offset - len(content)))
        return
    end = operation.offset + len(operation.data)
    content.extend(bytes(max(0, end - len(content))))
    content[operation.offset : end] = operation.data


def kept(operation: Operation, chance: random.Random) -> Sequence[Operation]:
    """What a card kept of an operation: all, nothing, or some of its sectors."""
    fate = chance.choice(("whole", "lost", "torn"))
    if fate == "torn" and operation.kind == "W":
        return [sector for sector in sectors(operation) if chance.random() < 0.5]
    return [] if fate == "lost" else [operation]


def sectors(operation: Operation) -> Sequence[Operation]:
    """A write, sector by sector."""
    pieces = []
    at = 0
    while at < len(operation.data):
        size = SECTOR - (operation.offset + at) % SECTOR
        pieces.append(dataclasses.replace(operation, offset=operation.offset + at, data=operation.data[at : at + size]))
        at += size
    return pieces

"""A log file as chunks of whole lines, plain or gzip, in bounded memory."""

import hashlib
import pathlib
import zlib
from collections.abc import Callable, Iterator
from io import BufferedReader

from config.errors import InputMissing, InputUnusable
from daemon.loading.words import pad, unpadded

CHUNK_BYTES = 1024 * 1024
READ_BYTES = 1024 * 1024
LONGEST_LINE = 64 * 1024
"""A longer line is no line of a log; it is cut up rather than gathered."""
GZIP_MAGIC = b"\x1f\x8b"
_GZIP_WBITS = 31

Tell = Callable[[int], None]


def open_log(path: pathlib.Path) -> BufferedReader:
    """Open a log file.

    Raises:
        InputMissing: there is no such file.
        InputUnusable: it is a folder, or cannot be read.
    """
    try:
        return path.open("rb")
    except FileNotFoundError:
        raise InputMissing(f"{path}: there is no such file") from None
    except IsADirectoryError:
        raise InputUnusable(f"{path}: this is a folder; name the log files in it") from None
    except OSError as error:
        raise InputUnusable(f"{path}: cannot be read ({error.strerror})") from None


def digest_of(path: pathlib.Path) -> str:
    """SHA-256 of the file's bytes, in hexadecimal."""
    with open_log(path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


class LogStream:
    """Chunks of whole lines of one file, each line ended by a newline, about CHUNK_BYTES long, padded (words.pad).

    Attributes:
        damage: what is wrong with a compressed file, once its chunks were read; what could be read came all the same.
        cut_line: the unfinished line that the damage left.
    """

    def __init__(self, path: pathlib.Path, tell: Tell, *, chunk_bytes: int | None = None) -> None:
        """`tell` is told how many bytes of the file were read since it was told before."""
        self._path = path
        self._chunk_bytes = chunk_bytes or CHUNK_BYTES
        self._tell = tell
        self.damage: str | None = None
        self.cut_line = b""

    def chunks(self) -> Iterator[bytes]:
        """The chunks, once."""
        with open_log(self._path) as file:
            packed = file.read(len(GZIP_MAGIC)) == GZIP_MAGIC
            file.seek(0)
            yield from self._whole_lines(self._unpacked(file) if packed else self._plain(file))

    def _plain(self, file: BufferedReader) -> Iterator[bytes]:
        """The file as it is."""
        while block := file.read(min(READ_BYTES, self._chunk_bytes)):
            self._tell(len(block))
            yield block

    def _unpacked(self, file: BufferedReader) -> Iterator[bytes]:
        """The file unpacked; members that follow each other are one text, zeros behind the last are padding."""
        unpack = zlib.decompressobj(_GZIP_WBITS)
        inside = False
        for packed in self._plain(file):
            block = packed
            while block:
                try:
                    text = unpack.decompress(block, self._chunk_bytes)
                except zlib.error as error:
                    self.damage = f"the compressed data is damaged ({error})"
                    return
                yield text
                inside, block = True, unpack.unconsumed_tail
                if unpack.eof:
                    block = unpack.unused_data.lstrip(b"\0")
                    inside, unpack = False, zlib.decompressobj(_GZIP_WBITS)
        if inside:
            yield unpack.flush()
            if not unpack.eof:
                self.damage = "the compressed file ends too early"

    def _whole_lines(self, blocks: Iterator[bytes]) -> Iterator[bytes]:
        """Gather blocks into chunks that end with a line."""
        pieces: list[bytes] = []
        gathered = 0
        for block in blocks:
            pieces.append(block)
            gathered += len(block)
            if gathered < self._chunk_bytes:
                continue
            end = block.rfind(b"\n") + 1
            if end:
                yield pad(*pieces[:-1], block[:end])
                pieces, gathered = [block[end:]], len(block) - end
            elif gathered > self._chunk_bytes + LONGEST_LINE:
                yield pad(*pieces, b"\n")
                pieces, gathered = [], 0
        text = b"".join(pieces)
        if self.damage is not None:
            end = text.rfind(b"\n") + 1
            text, self.cut_line = text[:end], text[end:]
        if text:
            yield pad(text) if text.endswith(b"\n") else pad(text, b"\n")


def first_line(path: pathlib.Path) -> bytes:
    """The first line of a file, plain or gzip, without its end; nothing of an empty one.

    Raises:
        InputMissing: there is no such file.
        InputUnusable: it cannot be read.
    """
    first = next(LogStream(path, lambda _read: None, chunk_bytes=LONGEST_LINE).chunks(), pad())
    return unpadded(first).split(b"\n", 1)[0]

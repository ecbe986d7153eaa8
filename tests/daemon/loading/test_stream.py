"""A log file as chunks of whole lines."""

import gzip
import pathlib
import random

import pytest

from config.errors import InputMissing, InputUnusable
from daemon.loading import stream
from daemon.loading.stream import LogStream
from daemon.loading.words import unpadded

TEXT = b"".join(b"line %d %s\n" % (number, bytes([97 + number % 26]) * (number % 90)) for number in range(3000))


def read(path: pathlib.Path) -> tuple[bytes, LogStream, int]:
    """Everything a file gives, the stream, and how many bytes it told of."""
    told: list[int] = []
    log = LogStream(path, told.append)
    chunks = [unpadded(chunk) for chunk in log.chunks()]
    assert all(chunk.endswith(b"\n") for chunk in chunks)
    return b"".join(chunks), log, sum(told)


@pytest.fixture(autouse=True)
def small_chunks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Chunks so small that a short text has many seams."""
    monkeypatch.setattr(stream, "CHUNK_BYTES", 1000)
    monkeypatch.setattr(stream, "READ_BYTES", 700)


def test_a_plain_file_comes_whole(tmp_path: pathlib.Path) -> None:
    """All bytes, all told of."""
    path = tmp_path / "a.csv"
    path.write_bytes(TEXT)
    text, log, told = read(path)
    assert (text, log.damage, told) == (TEXT, None, len(TEXT))


def test_gzip_is_known_by_its_content(tmp_path: pathlib.Path) -> None:
    """The name does not matter; several members are one text."""
    path = tmp_path / "a.csv"
    path.write_bytes(gzip.compress(TEXT[:5000]) + gzip.compress(TEXT[5000:]) + bytes(100))
    text, log, told = read(path)
    assert (text, log.damage, told) == (TEXT, None, path.stat().st_size)


def test_a_highly_packed_file_is_unpacked_in_pieces(tmp_path: pathlib.Path) -> None:
    """A block that unpacks to a thousand times its size is not unpacked at once."""
    path = tmp_path / "a.csv.gz"
    path.write_bytes(gzip.compress(b"x" * 99 + b"\n" * 1 + (b"y" * 99 + b"\n") * 20_000))
    chunks = [unpadded(chunk) for chunk in LogStream(path, lambda _read: None).chunks()]
    assert sum(map(len, chunks)) == 100 * 20_001
    assert max(map(len, chunks)) < 3000


@pytest.mark.parametrize("share", [0.3, 0.9, 0.999])
def test_a_truncated_gzip_gives_what_can_be_read(tmp_path: pathlib.Path, share: float) -> None:
    """Whole lines up to the cut; the unfinished one is set apart, for its number may be cut short."""
    path = tmp_path / "a.csv.gz"
    packed = gzip.compress(TEXT)
    path.write_bytes(packed[: int(len(packed) * share)])
    text, log, _told = read(path)
    assert log.damage is not None
    assert TEXT.startswith(text + log.cut_line)
    assert len(text) > 0.2 * share * len(TEXT)


def test_damage_inside_a_gzip_is_told(tmp_path: pathlib.Path) -> None:
    """A flipped byte is found by the format's own check."""
    path = tmp_path / "a.csv.gz"
    packed = bytearray(gzip.compress(random.Random(1).randbytes(3000).hex().encode() + b"\n"))  # noqa: S311 - no secret
    packed[len(packed) // 2] ^= 0xFF
    path.write_bytes(packed)
    assert "damaged" in str(read(path)[1].damage)


def test_a_last_line_without_an_end_gets_one(tmp_path: pathlib.Path) -> None:
    """Many programs leave it out."""
    path = tmp_path / "a.csv"
    path.write_bytes(b"a\nb")
    assert read(path)[0] == b"a\nb\n"


def test_a_file_without_lines_is_cut_up(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A gigabyte of zeros must not be gathered in memory."""
    monkeypatch.setattr(stream, "LONGEST_LINE", 500)
    path = tmp_path / "a.csv"
    path.write_bytes(bytes(100_000))
    assert max(len(unpadded(chunk)) for chunk in LogStream(path, lambda _read: None).chunks()) < 3000


def test_missing_files_and_folders_are_named(tmp_path: pathlib.Path) -> None:
    """Each with its own words."""
    with pytest.raises(InputMissing, match=r"gone\.csv"):
        read(tmp_path / "gone.csv")
    with pytest.raises(InputUnusable, match="folder"):
        read(tmp_path)

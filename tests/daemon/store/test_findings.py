"""Findings in the store: raised, cleared, withdrawn."""

import contextlib
import dataclasses
import pathlib
import sqlite3
from collections.abc import Iterator

import pytest

from daemon.store.findings import CLEARED, WITHDRAWN, StoredFinding, keep_findings, read_open_findings
from daemon.store.opening import open_writer
from daemon.store.prepare import prepare_store


@pytest.fixture
def connection(tmp_path: pathlib.Path) -> Iterator[sqlite3.Connection]:
    """An empty database."""
    prepare_store(tmp_path / "rack.db")
    with contextlib.closing(open_writer(tmp_path / "rack.db")) as opened:
        yield opened


def finding(name: str, *, raised_ms: int = 5_000, over_ms: int | None = None) -> StoredFinding:
    """A finding."""
    return StoredFinding(
        id=name,
        raised_ms=raised_ms,
        over_ms=over_ms,
        ended=None if over_ms is None else CLEARED,
        status="Maintenance required",
        summary=f"{name} is clogged",
        action="change the media",
        body={"id": name, "candidates": []},
    )


def ends(connection: sqlite3.Connection) -> dict[str, tuple[int | None, str | None]]:
    """How each finding ended."""
    rows = connection.execute("SELECT id, over_ms, ended FROM finding").fetchall()
    return {name: (over_ms, ended) for name, over_ms, ended in rows}


def test_a_finding_is_read_as_it_was_kept(connection: sqlite3.Connection) -> None:
    """Open ones, in the order in which they were raised."""
    kept = [finding("uv", raised_ms=9), finding("carbon", raised_ms=7), finding("return", over_ms=8_000)]
    keep_findings(connection, kept, assessed_ms=9_000)

    assert read_open_findings(connection) == (kept[1], kept[0])


def test_the_latest_opinion_stands(connection: sqlite3.Connection) -> None:
    """The same finding judged anew takes the place of what was thought of it."""
    keep_findings(connection, [finding("carbon")], assessed_ms=9_000)
    keep_findings(connection, [dataclasses.replace(finding("carbon"), summary="opened")], assessed_ms=10_000)

    assert [each.summary for each in read_open_findings(connection)] == ["opened"]


def test_what_is_no_longer_given_is_withdrawn_and_stays(connection: sqlite3.Connection) -> None:
    """Late readings or a new commissioning can take a finding back; that it was raised is not forgotten."""
    keep_findings(connection, [finding("carbon"), finding("uv")], assessed_ms=9_000)
    keep_findings(connection, [finding("uv", over_ms=9_500)], assessed_ms=10_000)
    keep_findings(connection, [], assessed_ms=11_000)

    assert ends(connection) == {"carbon": (10_000, WITHDRAWN), "uv": (9_500, CLEARED)}


def test_a_finding_can_come_back(connection: sqlite3.Connection) -> None:
    """Withdrawn, then given again: it stands again."""
    for given in ([finding("carbon")], [], [finding("carbon")]):
        keep_findings(connection, given, assessed_ms=9_000)

    assert ends(connection) == {"carbon": (None, None)}

"""Refused lines of a file on its way in."""

import sqlite3

from daemon.store import writer


class Rejects:
    """Refused lines of one file: all counted, the first of them kept."""

    def __init__(self, counts: dict[str, int]) -> None:
        """`counts`: of refused lines by reason, to be added to."""
        self._counts = counts
        self._lines: list[writer.Reject] = []
        self._now_ms = 0
        self._room = 0

    def keep(self, now_ms: int, room: int) -> None:
        """Set the time of the load, and how many lines the quarantine may hold."""
        self._now_ms, self._room = now_ms, room

    def add(self, line_no: int | None, line: bytes, reason: str) -> None:
        """Refuse a line."""
        self._counts[reason] = self._counts.get(reason, 0) + 1
        if len(self._lines) < self._room:
            text = line[: 4 * writer.LINE_KEPT].decode("utf-8", "backslashreplace").replace("\0", "\\x00")
            self._lines.append(writer.Reject(reason=reason, line=text, line_no=line_no, at_ms=self._now_ms))

    def write(self, connection: sqlite3.Connection, source: str) -> None:
        """Store counts and lines."""
        for reason, times in self._counts.items():
            writer.count_rejected(connection, source, reason, times)
        for reject in self._lines:
            writer.keep_in_quarantine(connection, source, reject)
        writer.trim_quarantine(connection, self._room)

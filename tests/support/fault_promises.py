"""What a collecting process was promised to be on the disk, told in a file as it comes."""

import os
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from daemon.batch_store import BatchStore
from daemon.store.merging import MinuteRow


def tell_commits(path: str, line_of: Callable[[Sequence[MinuteRow]], str]) -> None:
    """Append a line to a file for each commit that is done, made of the rows that it promised to keep; none if empty."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    true_commit = BatchStore.commit

    def commit(store: BatchStore, states: Mapping[str, Any], *, now_ms: int) -> bool:
        line = line_of([row for _anchor, row in store._rows])
        done = true_commit(store, states, now_ms=now_ms)
        if done and line:
            os.write(descriptor, f"{line}\n".encode())
        return done

    BatchStore.commit = commit  # type: ignore[method-assign, assignment]

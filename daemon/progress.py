"""A bar on standard error during long work, if a person watches."""

import contextlib
import sys
from collections.abc import Callable, Iterator

import click

_STEP_H = 50


@contextlib.contextmanager
def hours_judged() -> Iterator[Callable[[int, int], None]]:
    """Show a bar; the function that it gives is told how many hours are done, and of how many."""
    with shown("Judging hours", every=_STEP_H) as tell:
        yield tell


@contextlib.contextmanager
def shown(label: str, *, every: int = 1) -> Iterator[Callable[[int, int], None]]:
    """Show a bar that moves every so many steps; the function that it gives is told how many are done, of how many."""
    with click.progressbar(length=1, label=label, file=sys.stderr, hidden=not sys.stderr.isatty()) as bar:

        def tell(done: int, total: int) -> None:
            if done % every == 0 or done == total:
                bar.length = total
                bar.update(done - bar.pos)

        yield tell

"""The demo's screen: one line a step, ticked off when it is done, and the commands that it runs."""

import contextlib
import os
import pathlib
import shutil
import subprocess
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import click

from config.errors import ClearboreError
from daemon import clock

WIDTH = 96  # of running text at most
SET_IN = 4  # columns
ALARM_ACTIVE = 1  # exit code of a command that works and has bad news
PACKAGE_PARENT = pathlib.Path(__file__).resolve().parents[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """A command that was run: what it printed and how it ended."""

    out: str
    code: int


@dataclass(slots=True)
class Steps:
    """Prints the steps."""

    tick: str = field(default_factory=lambda: _printable("✓", "+"))
    busy: str = field(default_factory=lambda: _printable("…", "."))

    def heading(self, text: str) -> None:
        """A blank line and a heading."""
        click.echo()
        click.secho(text, bold=True)

    def say(self, text: str) -> None:
        """Text, wrapped and set in under the heading."""
        click.echo(click.wrap_text(text, width=min(WIDTH, _columns()), initial_indent="  ", subsequent_indent="  "))

    def quote(self, text: str) -> None:
        """Text of another command, set in under the heading; long lines go on under their own beginning."""
        width = min(WIDTH, _columns())
        for line in text.strip("\n").splitlines():
            indent = " " * (SET_IN + len(line) - len(line.lstrip()))
            wrapped = textwrap.fill(
                line.strip(), width, initial_indent=indent, subsequent_indent=f"{indent}  ", break_on_hyphens=False
            )
            click.echo(wrapped)

    def literal(self, text: str) -> None:
        """Lines to be copied, a path or a command: never wrapped."""
        for line in text.splitlines():
            click.echo(f"{' ' * SET_IN}{line}")

    def table(self, heads: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> None:
        """A small table between blank lines, set in like a quotation; figures stand to the right."""
        widths = [max(len(row[column]) for row in [heads, *rows]) for column in range(len(heads))]
        right = [all(row[column][:1].isdigit() for row in rows) for column in range(len(heads))]
        click.echo()
        for row in [heads, *rows]:
            cells = (
                f"{cell:>{width}}" if to_right else f"{cell:<{width}}"
                for cell, width, to_right in zip(row, widths, right, strict=True)
            )
            click.echo(f"{' ' * SET_IN}{'   '.join(cells)}".rstrip())

    @contextlib.contextmanager
    def step(self, text: str) -> Iterator[Callable[[str], None]]:
        """Do something that takes a moment; ticked with its time when done, left without a tick if it fails.

        Gives a function that shows how far it is, on a terminal only.
        """
        line = _Line(f"  {self.busy} {text}", live=sys.stdout.isatty())
        line.show("")
        started_s = clock.monotonic_s()
        try:
            yield line.show
        except BaseException:
            line.end("")
            raise
        line.end(f"  {click.style(self.tick, fg='green')} {text} ({clock.monotonic_s() - started_s:.1f} s)")


@dataclass(slots=True)
class _Line:
    """A line of the terminal that is written over until it is done; elsewhere only its end is written."""

    text: str
    live: bool
    shown: int = 0

    def show(self, more: str) -> None:
        """Write the line anew, with something behind it."""
        if self.live:
            line = f"{self.text}  {more}".rstrip()[: _columns() - 1]  # a line that wraps cannot be written over
            click.echo(f"\r{line:<{self.shown}}", nl=False)
            self.shown = len(line)

    def end(self, text: str) -> None:
        """Write its last state, if there is one to write, and go to the next line."""
        if self.live and text:
            click.echo(f"\r{' ' * self.shown}\r", nl=False)
        click.echo(text)


def command_line(*words: str) -> list[str]:
    """A clearbore command run by this interpreter."""
    return [sys.executable, "-P", "-m", "daemon", *words]


def environment() -> dict[str, str]:
    """This process's environment, in which a child finds the same installation whatever its folder."""
    places = [str(PACKAGE_PARENT), os.environ.get("PYTHONPATH", "")]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(place for place in places if place)}


def run_command(*words: str, fine: tuple[int, ...] = (0,)) -> Ran:
    """Run a clearbore command and wait for it.

    `fine` are the exit codes that are answers; with a code other than 0 it must have printed one.

    Raises:
        ClearboreError: if the command fails, with what it said.
    """
    done = subprocess.run(  # noqa: S603 - our own program, by this interpreter
        command_line(*words), capture_output=True, text=True, check=False, env=environment()
    )
    if done.returncode in fine and (done.returncode == 0 or done.stdout):
        return Ran(out=done.stdout, code=done.returncode)
    error = ClearboreError(f"`clearbore {' '.join(words)}` ended with code {done.returncode}:\n{done.stderr.strip()}")
    error.exit_code = done.returncode if done.returncode > ALARM_ACTIVE else ClearboreError.exit_code
    raise error


def _columns() -> int:
    """Width of the terminal; 80 where there is none."""
    return shutil.get_terminal_size().columns


def _printable(wanted: str, plain: str) -> str:
    """The wanted sign if the screen's encoding has it."""
    try:
        wanted.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return plain
    return wanted

"""The command line: one module a command, imported only when it is called."""

import importlib
import sys

import click

from config.errors import ClearboreError

COMMANDS = {
    "backup": "Copy the database while others write to it, and check the copy.",
    "check": "Check a plant file and say every fault of it.",
    "collect": "Collect readings from the meters until stopped.",
    "commission": "Fit the plant to healthy days.",
    "demo": "See the whole job on a simulated rig, with nothing to set up.",
    "diagnose": "Say what is wrong, since when, and what to do.",
    "export": "Write readings, journal and findings as CSV or Parquet files.",
    "journal": "Write down what you did, or list it.",
    "load": "Load log files into the database.",
    "predict": "Say what flow every branch should get.",
    "report": "Write the maintenance report, one HTML page.",
    "size": "Say what pump a plant needs, how its valves balance it, and what changes would bring.",
    "status": "Say what each meter last said, and how collecting goes.",
    "steptest": "Tell apart what looks alike at one speed of the pump: plan a step, or read one.",
}


class LazyCommands(click.Group):
    """Finds commands in daemon/commands by name, so that a light command never pays for a heavy one."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """All commands, in alphabetical order."""
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's signature
        """The command, imported now."""
        if cmd_name not in COMMANDS:
            return None
        command = importlib.import_module(f"daemon.commands.{cmd_name}").command
        if not isinstance(command, click.Command):
            raise TypeError(f"daemon.commands.{cmd_name}.command is not a command")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002 - click's signature
        """List the commands from the table above, importing none of them."""
        with formatter.section("Commands"):
            formatter.write_dl(sorted(COMMANDS.items()))


@click.group(cls=LazyCommands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="clearbore")
def group() -> None:
    """What flow every branch of a reef manifold should get, what it really gets, what is wrong and what to do."""


def main() -> None:
    """Run the command line; an expected failure is one message and an exit code, never a traceback."""
    try:
        group(prog_name="clearbore")
    except ClearboreError as error:
        click.echo(f"{error}", err=True)
        sys.exit(error.exit_code)

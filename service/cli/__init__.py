"""The command `effort`. Each command's module is imported only when it runs, so that none slows another."""

import io
import os
import sys
from importlib import import_module

import click

from service import __version__
from service.errors import InputRefused, ServiceError

# name -> (module, what `effort --help` says)
COMMANDS = {
    "demo": ("service.cli.demo", "Try the service: temporary database, a key, calls to paste."),
    "serve": ("service.cli.serve", "Serve the API."),
    "migrate": ("service.cli.migrate", "Bring the database to the newest schema."),
    "key": ("service.cli.key", "Make, list, replace and revoke API keys."),
    "retain": ("service.cli.retain", "Delete what is older than EFFORT_RETENTION_DAYS."),
    "backup": ("service.cli.backup", "Copy the SQLite database into a file while it serves."),
    "restore": ("service.cli.restore", "Put a backup in the place of the SQLite database."),
    "import": ("service.cli.importing", "Bring performed sets from a file into the database."),
    "prescribe": ("service.cli.prescribe", "Prescribe one set from a file."),
    "plan": ("service.cli.plan", "Prescribe a plan and print its session sheets."),
    "bulk": ("service.cli.bulk", "Prescribe a whole population from a file, or from history."),
    "policy": ("service.cli.policy", "List, show and check policy versions."),
    "document": ("service.cli.document", "Write or check the OpenAPI document."),
}
FAILED = 2


class _Commands(click.Group):
    """Commands looked up by name in COMMANDS; none is imported before it is needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        found: click.Command = import_module(COMMANDS[cmd_name][0]).command
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=_Commands)
@click.version_option(__version__, prog_name="effort")
def effort() -> None:
    """Prescribe how close to failure a set should be taken, and why."""


def main() -> None:
    """Run the command line. Errors made on purpose, and the system's, print one line each; the exit code is 2."""
    if isinstance(sys.stdout, io.TextIOWrapper):  # a letter the terminal has not is a question mark there
        sys.stdout.reconfigure(errors="replace")
    try:
        effort(prog_name="effort")
    except InputRefused as error:
        for fault in error.faults:
            click.echo(f"effort: {fault.place}: {fault.detail}", err=True)
        sys.exit(FAILED)
    except ServiceError as error:
        click.echo(f"effort: {error}", err=True)
        sys.exit(FAILED)
    except OSError as error:
        # What could not be written would be tried once more when Python ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        click.echo(f"effort: {error}", err=True)
        sys.exit(FAILED)

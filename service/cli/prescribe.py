"""`effort prescribe FILE|-`."""

import sys
from typing import BinaryIO

import click
import msgspec

from service.api.prescriptions import pinned_policy
from service.api.reading import JSON, decode
from service.policy.catalogue import load_policies
from service.rules.answer import Prescription
from service.rules.context import SetContext
from service.rules.prescribe import prescribe


def _show(found: Prescription) -> None:
    from rich.console import Console  # noqa: PLC0415 - only for people; programs get JSON
    from rich.table import Table  # noqa: PLC0415 - same

    console = Console(highlight=False, soft_wrap=False)
    if found.reps_in_reserve is None:
        console.print("[bold]No target is given.[/bold]")
    else:
        reserve, rpe = found.reps_in_reserve, found.rpe
        exertion = f", RPE {rpe.target:g}" if rpe is not None and rpe.target is not None else ""
        console.print(
            f"[bold]{reserve.target:g} reps in reserve[/bold] ({reserve.low:g} to {reserve.high:g}{exertion})"
        )
        table = Table("reason", "effect", "why", "support", box=None, pad_edge=False)
        for reason in found.reasons:
            support = " ".join((reason.grade.replace("_", " "), *reason.evidence))
            table.add_row(reason.factor, f"{reason.effect_reps:+g}", reason.text, support)
        table.add_row("[bold]target[/bold]", f"[bold]{reserve.target:g}[/bold]", "", "")
        console.print(table)
    for cue in found.stop_cues:
        console.print(f"- {cue.text}")
    for note in found.cautions:
        console.print(f"[{'red' if note.severity == 'critical' else 'dim'}]{note.severity}: {note.text}[/]")
    if found.assumptions:
        console.print("Assumed: " + ", ".join(entry.field for entry in found.assumptions))


@click.command("prescribe")
@click.argument("file", type=click.File("rb"))
@click.option("--json", "as_json", is_flag=True, help="JSON even on a terminal.")
def command(file: BinaryIO, as_json: bool) -> None:
    """Prescribe the set context in FILE (JSON; - reads standard input), without a server.

    Prints text with a table of reasons on a terminal, JSON into a pipe. Faults go to standard error, one a line,
    with exit code 2.
    """
    context = decode(file.read(), JSON, SetContext)
    found = prescribe(context, pinned_policy(context.policy, load_policies()))
    if as_json or not sys.stdout.isatty():
        click.echo(msgspec.json.format(msgspec.json.encode(found), indent=2).decode())
    else:
        _show(found)

"""`effort prescribe FILE|-`."""

import sys
from functools import partial
from pathlib import Path
from shutil import get_terminal_size
from typing import BinaryIO

import click
import msgspec
from msgspec import Struct

from service.api.prescriptions import pinned_policy
from service.api.reading import JSON, decode
from service.api.whole_faults import context_faults
from service.cli.language_option import language_option
from service.policy.catalogue import Policies, load_policies
from service.policy.languages import ENGLISH
from service.rules.answer import Grade, Prescription, Severity
from service.rules.context import SetContext
from service.rules.prescribe import prescribe

TEXTS = Path(__file__).with_name("screen_texts.toml")
STYLES: dict[Severity, str] = {"info": "dim", "warning": "yellow", "critical": "bold red"}


class ScreenTexts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a prescription is told with on a terminal; values stand in braces."""

    target: str
    range: str
    range_with_rpe: str
    no_target: str
    column_reason: str
    column_effect: str
    column_why: str
    column_support: str
    row_target: str
    effect: str
    sum: str
    assumed: str
    severities: dict[Severity, str]
    grades: dict[Grade, str]


def policies_in(code: str) -> Policies:
    """Return every policy version with the texts of a language."""
    policies = load_policies()
    if code == ENGLISH:
        return policies
    from service.policy.translation import in_language  # noqa: PLC0415 - English needs no Babel

    return in_language(policies, code)


def _headline(found: Prescription, texts: ScreenTexts) -> str:
    reserve, rpe = found.reps_in_reserve, found.rpe
    if reserve is None:
        return f"[bold]{texts.no_target}[/bold]"
    held = texts.range.format(low=reserve.low, high=reserve.high)
    if rpe is not None and rpe.target is not None:
        held = texts.range_with_rpe.format(low=reserve.low, high=reserve.high, rpe=rpe.target)
    return f"[bold]{texts.target.format(target=reserve.target)}[/bold] {held}"


def _show(found: Prescription, code: str) -> None:
    """Print for people: as wide as the terminal, in colour only there and without NO_COLOR."""
    from rich.console import Console  # noqa: PLC0415 - only for people; programs get JSON
    from rich.table import Column, Table  # noqa: PLC0415 - same

    from service.cli.words import words  # noqa: PLC0415 - same

    texts = words(TEXTS, ScreenTexts, code)
    # a terminal of 0 columns does not know its own width; rich would print nothing at all
    console = Console(highlight=False, soft_wrap=False, width=get_terminal_size().columns)
    console.print(_headline(found, texts))
    if found.reps_in_reserve is not None:
        columns = (texts.column_reason, texts.column_effect, texts.column_why, texts.column_support)
        # no word is cut off, however narrow it is
        folded = (Column(name, overflow="fold") for name in columns)
        table = Table(*folded, box=None, pad_edge=False)
        for reason in found.reasons:
            support = " ".join((texts.grades[reason.grade], *reason.evidence))
            effect = texts.effect.format(effect=reason.effect_reps)
            table.add_row(reason.factor, effect, reason.text, support)
        total = texts.sum.format(target=found.reps_in_reserve.target)
        table.add_row(f"[bold]{texts.row_target}[/bold]", f"[bold]{total}[/bold]", "", "")
        console.print(table)
    for cue in found.stop_cues:
        console.print(f"- {cue.text}")
    for note in found.cautions:
        console.print(f"{texts.severities[note.severity]}: {note.text}", style=STYLES[note.severity])
    if found.assumptions:
        console.print(texts.assumed.format(fields=", ".join(entry.field for entry in found.assumptions)))


@click.command("prescribe")
@click.argument("file", type=click.File("rb"))
@click.option(
    "--json/--text",
    "as_json",
    default=None,
    help="JSON, byte for byte as POST /v1/prescriptions answers, or text; default: text on a terminal only.",
)
@language_option
def command(file: BinaryIO, as_json: bool | None, language: str) -> None:
    """Prescribe the set context in FILE (JSON; - reads standard input), without a server.

    Prints text with a table of reasons on a terminal, JSON into a pipe. Faults go to standard error, one a line,
    with exit code 2.
    """
    policies = policies_in(language)
    context = decode(file.read(), JSON, SetContext, partial(context_faults, policies=policies))
    found = prescribe(context, pinned_policy(context.policy, policies))
    if as_json is True or (as_json is None and not sys.stdout.isatty()):
        click.echo(msgspec.json.encode(found), nl=False)
    else:
        _show(found, language)

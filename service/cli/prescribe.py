"""`effort prescribe FILE|-`."""

import sys
from functools import partial
from pathlib import Path
from shutil import get_terminal_size
from typing import TYPE_CHECKING, BinaryIO

import click
import msgspec
from msgspec import Struct, field

from service.api.prescriptions import pinned_policy
from service.api.reading import JSON, decode
from service.api.whole_faults import context_faults
from service.cli.language_option import language_option
from service.policy.catalogue import Policies, load_policies
from service.policy.languages import ENGLISH
from service.rules.answer import CautionNote, Grade, Prescription, ReserveRange, Severity
from service.rules.context import SetContext
from service.rules.prescribe import prescribe

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

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
    said: str
    too_heavy: str
    too_light: str
    other_load: str
    other_reps: str
    or_: str = field(name="or")
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


def _fit(found: Prescription, texts: ScreenTexts) -> str | None:
    """Return what to do where load and reps cannot both hold; None where they can."""
    expected = found.expected
    if expected is None or expected.conflict is None or not found.adjustments:
        return None
    ways = [
        texts.other_load.format(percent=way.load_percent_1rm)
        if way.load_percent_1rm is not None
        else texts.other_reps.format(reps=way.rep_target)
        for way in found.adjustments
    ]
    told = texts.too_heavy if expected.conflict == "too_heavy" else texts.too_light
    return told.format(reps=round(expected.reps_to_failure.mean), ways=texts.or_.join(ways))


def _own_count(found: Prescription, texts: ScreenTexts) -> str | None:
    """Return what the target feels like to a lifter whose count is off; None where it feels as it is."""
    reserve, said = found.reps_in_reserve, found.reported_reps_in_reserve
    if reserve is None or said is None or said == reserve.target:
        return None
    return texts.said.format(said=said)


def _table(found: Prescription, reserve: ReserveRange, texts: ScreenTexts) -> "Table":
    """Return the reasons that add up to the target."""
    from rich.table import Column, Table  # noqa: PLC0415 - only for people; programs get JSON

    names = (texts.column_reason, texts.column_effect, texts.column_why, texts.column_support)
    # no word is cut off, however narrow it is
    table = Table(*(Column(name, overflow="fold") for name in names), box=None, pad_edge=False)
    for reason in found.reasons:
        support = " ".join((texts.grades[reason.grade], *reason.evidence))
        table.add_row(reason.factor, texts.effect.format(effect=reason.effect_reps), reason.text, support)
    total = texts.sum.format(target=reserve.target)
    table.add_row(f"[bold]{texts.row_target}[/bold]", f"[bold]{total}[/bold]", "", "")
    return table


def _show(found: Prescription, code: str) -> None:
    """Print for people: as wide as the terminal, in colour only there and without NO_COLOR."""
    from rich.console import Console  # noqa: PLC0415 - only for people; programs get JSON

    from service.cli.sheet import WORST_FIRST  # noqa: PLC0415 - same
    from service.cli.words import words  # noqa: PLC0415 - same

    texts = words(TEXTS, ScreenTexts, code)
    # a terminal of 0 columns does not know its own width; rich would print nothing at all
    console = Console(highlight=False, soft_wrap=False, width=get_terminal_size().columns)
    console.print(_headline(found, texts))
    notes = sorted(found.cautions, key=lambda note: WORST_FIRST.index(note.severity))
    heeded = [note for note in notes if note.severity != "info"]
    for note in heeded:
        _say(console, note, texts)
    for told in (_fit(found, texts), _own_count(found, texts)):
        if told is not None:
            console.print(told)
    if found.reps_in_reserve is not None:
        console.print(_table(found, found.reps_in_reserve, texts))
    for cue in found.stop_cues:
        console.print(f"- {cue.text}")
    for note in notes[len(heeded) :]:
        _say(console, note, texts)
    if found.assumptions:
        console.print(texts.assumed.format(fields=", ".join(entry.field for entry in found.assumptions)))


def _say(console: "Console", note: CautionNote, texts: ScreenTexts) -> None:
    console.print(f"{texts.severities[note.severity]}: {note.text}", style=STYLES[note.severity])


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

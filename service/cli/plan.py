"""`effort plan FILE|-`."""

import sys
from collections.abc import Callable, Iterable
from functools import partial
from math import isfinite
from shutil import get_terminal_size
from typing import BinaryIO

import click
import msgspec

from service.api.prescriptions import pinned_policy
from service.api.reading import JSON, decode
from service.api.whole_faults import plan_faults
from service.cli.language_option import language_option
from service.cli.sheet import Printing, Sheet
from service.cli.sheet_colours import print_sheet
from service.cli.sheet_csv import csv_sheet
from service.cli.sheet_html import html_sheet
from service.cli.sheet_of_plan import sheet_of
from service.cli.sheet_text import MOST_WIDTH, text_sheet
from service.cli.sheet_texts import SheetTexts, sheet_texts
from service.errors import Fault, InputRefused
from service.policy.catalogue import Policies, load_policies
from service.policy.languages import Languages
from service.policy.plan_basis import load_plan_basis
from service.rules.compiled import Policy
from service.rules.estimate import unknown_exercise
from service.rules.plans.basis import PlanBasis
from service.rules.plans.plan import Plan
from service.rules.plans.prescribe_plan import prescribe_plan
from service.rules.plans.start import stateless_start

MOST_KG, LEAST_WIDTH = 2000, 40
ONE_REP_MAX = "--one-rep-max"
# of a sheet, its words and columns
SHEETS: dict[str, Callable[[Sheet, SheetTexts, int], str]] = {
    "text": text_sheet,
    "html": lambda sheet, texts, _: html_sheet(sheet, texts),
    "csv": lambda sheet, _, __: csv_sheet(sheet),
}


def read_plan(body: bytes, policies: Policies) -> Plan:
    """Return a valid plan. Raises Unreadable, or InputRefused with every fault."""
    rules = partial(plan_faults, policies=policies)
    plan = decode(body, JSON, Plan, rules)
    if faults := tuple(rules(msgspec.structs.asdict(plan))):
        raise InputRefused(faults)
    return plan


def _one_rep_max_kg(told: Iterable[str], policy: Policy) -> dict[str, float]:
    """Return 1RM by exercise [kg] from `leg_press=120`. Raises InputRefused with every fault."""
    found: dict[str, float] = {}
    faults = []
    for each in told:
        exercise, _, kg = each.partition("=")
        if fault := _wrong(exercise, kg, policy):
            faults.append(Fault(f"{ONE_REP_MAX} {each}", fault))
        elif exercise in found:
            faults.append(Fault(f"{ONE_REP_MAX} {each}", "is told twice; give one 1RM an exercise"))
        else:
            found[exercise] = float(kg)
    if faults:
        raise InputRefused(tuple(faults))
    return found


def _wrong(exercise: str, kg: str, policy: Policy) -> str | None:
    if exercise not in policy.data.exercises:
        return unknown_exercise(exercise, policy).detail
    try:
        value = float(kg)
    except ValueError:
        value = 0.0
    if not isfinite(value) or not 0 < value <= MOST_KG:
        return f"must be above 0 to {MOST_KG} [kg], such as {exercise}=120"
    return None


def _gathered(file: BinaryIO, told: Iterable[str], policies: Policies) -> tuple[Plan, dict[str, float]]:
    """Return plan and 1RM by exercise [kg]. Raises InputRefused with the faults of both."""
    faults: tuple[Fault, ...] = ()
    try:
        plan = read_plan(file.read(), policies)
    except InputRefused as error:
        faults = error.faults
    try:
        one_rep_max_kg = _one_rep_max_kg(told, policies.newest)
    except InputRefused as error:
        faults += error.faults
    if faults:
        raise InputRefused(faults)
    return plan, one_rep_max_kg


@click.command("plan")
@click.argument("file", type=click.File("rb"))
@click.option("--format", "kind", type=click.Choice([*SHEETS, "json"]), default="text", show_default=True)
@click.option("--session", type=click.IntRange(1), help="Print only this session, 1 for the first.")
@click.option(
    ONE_REP_MAX,
    "one_rep_max",
    multiple=True,
    metavar="EXERCISE=KG",
    help="Tell loads in kg as well, on the steps of the equipment; may be repeated.",
)
@click.option(
    "--width",
    type=click.IntRange(LEAST_WIDTH, MOST_WIDTH),
    help=f"Columns of the text; 40 suits a phone. Default: those of the terminal, {MOST_WIDTH} at most.",
)
@click.option("--json", "as_json", is_flag=True, help="The same as --format json.")
@language_option
def command(
    file: BinaryIO,
    kind: str,
    session: int | None,
    one_rep_max: tuple[str, ...],
    width: int | None,
    as_json: bool,
    language: str,
) -> None:
    """Prescribe the plan in FILE (JSON; - reads standard input) and print a sheet for each session.

    FILE is what POST /v1/plan-prescriptions takes. The sheet is text to read, HTML to print or CSV for a spreadsheet;
    json is the whole answer, byte for byte as the API gives it. Faults go to standard error, one a line, with exit
    code 2.
    """
    kind = "json" if as_json else kind
    if kind == "json" and session is not None:
        raise click.UsageError("json is the whole answer: leave out --session")
    policies = load_policies()
    plan, one_rep_max_kg = _gathered(file, one_rep_max, policies)
    if session is not None and session > len(plan.sessions):
        raise InputRefused(
            (Fault("--session", f"must be 1 to {len(plan.sessions)}, the sessions of the plan"),)
        )
    basis = _basis_in(language, plan, policies)
    answer = prescribe_plan(plan, stateless_start(plan), basis, "full")
    if kind == "json":
        click.echo(msgspec.json.encode(answer), nl=False)
        return
    printing = Printing(policy=basis.policy, texts=sheet_texts(language), one_rep_max_kg=one_rep_max_kg)
    sheet = sheet_of(plan, answer, printing, None if session is None else (session,))
    told = SHEETS[kind](sheet, printing.texts, width or _width())
    if kind == "text" and sys.stdout.isatty():
        print_sheet(told, printing.texts)
    else:  # as bytes: line ends and letters are those of the format, whatever the terminal's are
        click.echo(told.encode(), nl=False)


def _basis_in(code: str, plan: Plan, policies: Policies) -> PlanBasis:
    """Return what the plan is prescribed with, its texts in a language."""
    basis = load_plan_basis(pinned_policy(plan.policy, policies))
    languages = Languages(policies, basis.plans)
    policy = pinned_policy(plan.policy, languages.policies(code))
    return msgspec.structs.replace(basis, policy=policy, plans=languages.plans(code))


def _width() -> int:
    """Return the columns there are: of the terminal, within what a sheet can be read in."""
    return min(max(get_terminal_size((MOST_WIDTH, 0)).columns, LEAST_WIDTH), MOST_WIDTH)

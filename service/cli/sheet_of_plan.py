"""From a plan and its answer to a sheet."""

from collections.abc import Sequence

from service.cli.sheet import Printing, Sheet
from service.cli.sheet_notes import assumed_words, cost_words, moved_words, plan_notes, version_words
from service.cli.sheet_sessions import sheet_sessions
from service.rules.plans.answer import PrescribedPlan
from service.rules.plans.plan import Plan


def sheet_of(
    plan: Plan, answer: PrescribedPlan, printing: Printing, numbers: Sequence[int] | None = None
) -> Sheet:
    """Return the sheet of a plan answered in full; with `numbers`, of these sessions (from 1) only.

    Costs and assumptions are always those of the whole plan; warnings those that touch the sessions.
    """
    shown = range(1, len(plan.sessions) + 1) if numbers is None else numbers
    return Sheet(
        sessions=sheet_sessions(plan, answer, shown, printing),
        of_sessions=len(plan.sessions),
        notes=plan_notes(answer, shown, printing),
        moved=moved_words(answer, printing),
        costs=cost_words(answer, printing),
        assumed=assumed_words(answer, printing.texts),
        policy=printing.texts.policy.format(version=answer.policy.version),
        versions=version_words(answer, printing.texts),
    )

"""A sheet as plain text: short lines, nothing that a pipe or a printer could not take."""

from collections.abc import Iterator
from textwrap import wrap

from service.cli.sheet import Alert, PlanNote, SetGroup, Sheet, SheetExercise, SheetSession
from service.cli.sheet_texts import SheetTexts
from service.cli.sheet_words import (
    advice,
    dose_words,
    exertion_words,
    leave_words,
    load_to_take,
    rest_words,
    sets_told,
    speed_words,
    start,
    title,
)

MOST_WIDTH = 80
STEP = "   "


def text_sheet(sheet: Sheet, texts: SheetTexts, width: int = MOST_WIDTH) -> str:
    """Return the sheet in lines of at most `width` columns."""
    lines: list[str] = []
    for session in sheet.sessions:
        lines += [*_session(session, sheet, texts, width), "", ""]
    lines += _plan(sheet, texts, width)
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _filled(text: str, width: int, first: str = "") -> list[str]:
    """Return the text in lines, the first after `first`, others below its end."""
    return wrap(text, width, initial_indent=first, subsequent_indent=" " * len(first), break_on_hyphens=False)


def _session(session: SheetSession, sheet: Sheet, texts: SheetTexts, width: int) -> Iterator[str]:
    yield "=" * width
    yield title(session, sheet.of_sessions, texts).upper()
    yield from _filled(f"{start(session.starts_at, texts)}, {sheet.policy}", width)
    if session.deload:
        yield from _filled(texts.deload.upper(), width)
    yield "=" * width
    for alert in session.alerts:
        yield from _alert(alert, texts, width)
    if session.every_set:
        yield ""
        for told in session.every_set:
            yield from _filled(told, width)
    for exercise in session.exercises:
        yield ""
        yield "-" * width
        yield from _filled(
            f"{exercise.exercise_order}. {exercise.name} ({texts.equipment[exercise.equipment]})", width
        )
        for group in exercise.groups:
            yield ""
            yield from _group(group, exercise, texts, width)


def _alert(alert: Alert, texts: SheetTexts, width: int) -> list[str]:
    mark = "" if alert.severity == "info" else f"{texts.severities[alert.severity].upper()}: "
    return _filled(f"{mark}{alert.text}", width)


def _group(group: SetGroup, exercise: SheetExercise, texts: SheetTexts, width: int) -> Iterator[str]:
    to_do = group.to_do
    if to_do is None:
        standing = texts.left_out if group.standing == "left_out" else texts.withheld
        yield from _filled(f"{sets_told(group, exercise, texts)}: {standing}", width, STEP)
        return
    dose = (dose_words(group, to_do, texts), load_to_take(to_do.load, texts), rest_words(to_do, texts))
    aim = (leave_words(to_do.reserve, texts), exertion_words(to_do.rpe, texts))
    for parts in (dose, aim):
        yield from _filled(", ".join(filter(None, parts)), width, STEP)
    yield from _filled(f"{to_do.stop} {texts.feels}: {to_do.feel} {speed_words(to_do, texts)}", width, STEP)
    yield from _filled(advice(group, to_do, texts), width, STEP)
    yield from _blanks(group, texts, width)


def _blanks(group: SetGroup, texts: SheetTexts, width: int) -> Iterator[str]:
    """Yield a place for each set to write down what was done, as many on a line as fit."""
    alone = len(group.sets) == 1
    blanks = [("" if alone else f"{each.set_order}) ") + texts.blank for each in group.sets]
    head = f"{STEP}{texts.done}  "
    fitting = max(1, (width - len(head) + len(STEP)) // (max(map(len, blanks)) + len(STEP)))
    for first in range(0, len(blanks), fitting):
        yield (head if not first else " " * len(head)) + STEP.join(blanks[first : first + fitting])


def _plan(sheet: Sheet, texts: SheetTexts, width: int) -> Iterator[str]:
    yield "=" * width
    yield from _filled(texts.whole_plan.upper(), width)
    yield "=" * width
    if sheet.notes:
        yield from _filled(texts.warnings, width)
    for note in sheet.notes:
        yield from _note(note, texts, width)
    if sheet.moved:
        yield from _filled(sheet.moved, width, "-  ")
    for heading, told in ((texts.costs, sheet.costs), (texts.assumed, sheet.assumed)):
        if told:
            yield ""
            yield from _filled(heading, width)
        for each in told:
            yield from _filled(each, width, "-  ")
    yield ""
    yield from _filled(f"{texts.foot} {sheet.versions}", width)


def _note(note: PlanNote, texts: SheetTexts, width: int) -> Iterator[str]:
    yield from _filled(f"{texts.severities[note.severity]}: {note.text}", width, "-  ")
    yield from _filled(note.mend, width, STEP)
    yield from _filled(f"({note.where})", width, STEP)

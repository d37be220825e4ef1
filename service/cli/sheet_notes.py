"""What a sheet says of the whole plan: warnings, what going closer costs, what was assumed."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence

from service.cli.sheet import WORST_FIRST, PlanNote, Printing
from service.cli.sheet_texts import SheetTexts
from service.cli.sheet_words import runs
from service.rules.plans.answer import CarryOverAnswer, PrescribedPlan, Scenario

MOST_PLACES = 6
MOST_PAYERS = 3
_PLACE = re.compile(r"/sessions/(\d+)(?:/exercises/(\d+)(?:/sets/(\d+))?)?\Z")
Place = tuple[int, int | None, int | None]  # session, exercise and set, from 0


def _place(pointer: str) -> Place:
    found = _PLACE.match(pointer)
    if found is None:
        raise ValueError(f"{pointer} points at no session, exercise or set")
    session, exercise, set_at = (None if part is None else int(part) for part in found.groups())
    return session or 0, exercise, set_at


def _name(answer: PrescribedPlan, session: int, exercise_at: int, printing: Printing) -> str:
    exercise = answer.sessions[session].exercises[exercise_at].exercise
    return printing.policy.data.exercises[exercise].name


def where(pointers: Iterable[str], answer: PrescribedPlan, printing: Printing) -> str:
    """Return the places in words, those of the same sessions together: `sessions 1, 3: Leg press sets 1-2`."""
    texts = printing.texts
    sets: dict[tuple[int, int | None], list[int]] = {}
    for session, exercise_at, set_at in map(_place, pointers):
        sets.setdefault((session, exercise_at), []).extend([] if set_at is None else [set_at + 1])
    sessions: dict[tuple[int | None, str], list[int]] = {}
    for (session, exercise_at), numbers in sets.items():
        told = "" if exercise_at is None else _name(answer, session, exercise_at, printing)
        if numbers:
            told = texts.exercise_sets.format(exercise=told, count=len(numbers), numbers=runs(numbers))
        sessions.setdefault((exercise_at, told), []).append(session + 1)
    together: dict[tuple[int, ...], list[str]] = {}
    for (_, told), in_sessions in sessions.items():
        together.setdefault(tuple(in_sessions), []).append(told)
    alone = len(answer.sessions) == 1
    places = [_in_sessions(numbers, told, alone, texts) for numbers, told in together.items()]
    return "; ".join(_first(places, texts))


def _first(places: Sequence[str], texts: SheetTexts) -> list[str]:
    """Return the first places and how many more there are."""
    more = len(places) - MOST_PLACES
    return [*places[:MOST_PLACES], *([texts.and_more.format(more=more)] if more > 0 else [])]


def _in_sessions(numbers: Sequence[int], told: Sequence[str], alone: bool, texts: SheetTexts) -> str:
    """Return `sessions 1, 3: Leg press sets 1-2`; the only session of a plan goes without saying."""
    exercises = ", ".join(_first([each for each in told if each], texts))
    if exercises and alone:
        return exercises
    sessions = texts.sessions.format(count=len(numbers), numbers=runs(numbers))
    return texts.sessions_with.format(sessions=sessions, exercises=exercises) if exercises else sessions


def plan_notes(answer: PrescribedPlan, numbers: Sequence[int], printing: Printing) -> tuple[PlanNote, ...]:
    """Return the warnings that touch the sessions of these numbers, worst first, alike ones together."""
    pointers: dict[tuple[str, str, str], list[str]] = {}
    for warning in answer.warnings:
        if any(_place(pointer)[0] + 1 in numbers for pointer in warning.pointers):
            alike = pointers.setdefault((warning.severity, warning.text, warning.mend), [])
            alike.extend(warning.pointers)
    notes = [
        PlanNote(severity=severity, text=text, mend=mend, where=where(found, answer, printing))
        for severity in WORST_FIRST
        for (told, text, mend), found in pointers.items()
        if told == severity
    ]
    return tuple(notes)


def moved_words(answer: PrescribedPlan, printing: Printing) -> str | None:
    """Return which sets the plan's limits keep from failure; None for none."""
    if answer.allocation is None or not answer.allocation.moves:
        return None
    places = where((move.pointer for move in answer.allocation.moves), answer, printing)
    return printing.texts.moved.format(where=places)


def _lost(scenario: Scenario, answer: PrescribedPlan, printing: Printing) -> dict[str, float]:
    """Return repetitions lost by the name of the exercise that pays [repetitions], most first."""
    lost: dict[str, float] = {}
    for paid in scenario.paid_by:
        session, exercise_at, _ = _place(paid.to_exercise)
        name = _name(answer, session, exercise_at or 0, printing)
        lost[name] = lost.get(name, 0.0) + paid.reps_lost
    return dict(sorted(lost.items(), key=lambda entry: -entry[1]))


def cost_words(answer: PrescribedPlan, printing: Printing) -> tuple[str, ...]:
    """Return what going closer costs in sentences; none where nothing is to be done."""
    costs, texts = answer.carryover, printing.texts
    if not costs.as_prescribed.total_reps:
        return ()
    told = [
        texts.cost_totals.format(
            prescribed=round(costs.as_prescribed.total_reps),
            to_failure=round(costs.all_to_failure.total_reps),
        ),
        _later(costs, answer, printing),
    ]
    if costs.as_proposed is not None:
        lost = sum(_lost(costs.as_proposed, answer, printing).values())
        proposed = round(costs.as_proposed.total_reps)
        told.append(texts.cost_proposed.format(proposed=proposed, lost_proposed=round(lost)))
    return tuple(told)


def _later(costs: CarryOverAnswer, answer: PrescribedPlan, printing: Printing) -> str:
    texts = printing.texts
    prescribed = _lost(costs.as_prescribed, answer, printing)
    failure = _lost(costs.all_to_failure, answer, printing)
    payers = [
        texts.payer.format(exercise=name, lost_to_failure=round(lost), lost=round(prescribed.get(name, 0.0)))
        for name, lost in list(failure.items())[:MOST_PAYERS]
        if round(lost)
    ]
    if not payers:
        return texts.cost_nothing
    return texts.cost_later.format(
        lost_to_failure=round(sum(failure.values())),
        lost=round(sum(prescribed.values())),
        payers=", ".join(payers),
    )


def assumed_words(answer: PrescribedPlan, texts: SheetTexts) -> tuple[str, ...]:
    """Return each assumption once with the number of sets it was made for.

    The plan's own come first; of their fields the single sets need not speak again.
    """
    sets: Counter[str] = Counter()
    for told in answer.assumptions:
        sets[told.text] += told.sets
    fields = {told.field for told in answer.assumptions}
    for each in (one for session in answer.sessions for e in session.exercises for one in e.sets):
        if not each.cut and each.prescription.decision == "prescribe":
            untold = (one for one in each.prescription.assumptions if one.field not in fields)
            sets.update(one.text for one in untold)
    counted = {text: texts.set_count.format(count=count) for text, count in sets.items()}
    return tuple(texts.assumed_for.format(text=text, sets=told) for text, told in counted.items())


def version_words(answer: PrescribedPlan, texts: SheetTexts) -> str:
    """Return the versions that pin every number."""
    used = answer.numbers
    return texts.versions.format(
        version=answer.policy.version,
        digest=answer.policy.digest,
        carryover=used.carryover,
        plans=used.plans,
        learning=used.learning,
    )

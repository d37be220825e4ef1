"""From a plan and its answer to the sessions of a sheet."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import NamedTuple

from service.cli.sheet import (
    WORST_FIRST,
    Alert,
    Load,
    Printing,
    SetGroup,
    SheetExercise,
    SheetSession,
    SheetSet,
    Standing,
    ToDo,
)
from service.cli.sheet_texts import SheetTexts
from service.rules.answer import Prescription
from service.rules.capacity import nearest_step
from service.rules.estimate import estimate_load
from service.rules.estimates import LoadQuery
from service.rules.learning.performed import local_instant_of
from service.rules.plans.answer import PrescribedExercise, PrescribedPlan, PrescribedSession, PrescribedSet
from service.rules.plans.audit_warning import PlanWarning
from service.rules.plans.plan import Plan, PlanSet
from service.rules.policy import Exercise


def sheet_sessions(
    plan: Plan, answer: PrescribedPlan, numbers: Sequence[int], printing: Printing
) -> tuple[SheetSession, ...]:
    """Return the sessions of these numbers, counted from 1, of a plan answered in full."""
    return tuple(
        SheetSession(
            number=number,
            starts_at=local_instant_of(plan.sessions[number - 1].starts_at),
            deload=any(each.context_used.deload for each in _sets(session)),
            alerts=_alerts(session, number, answer.warnings, printing.texts),
            every_set=_every_set(session, printing.texts),
            exercises=tuple(_exercises(plan, answer, number, printing)),
        )
        for number in numbers
        if (session := answer.sessions[number - 1])
    )


def _sets(session: PrescribedSession) -> Iterator[PrescribedSet]:
    return (each for exercise in session.exercises for each in exercise.sets)


def _alerts(
    session: PrescribedSession, number: int, warnings: Sequence[PlanWarning], texts: SheetTexts
) -> tuple[Alert, ...]:
    """Return cautions of the sets and critical warnings of the session, each once, worst first."""
    at = f"/sessions/{number - 1}"
    found = [
        Alert(severity=note.severity, text=note.text)
        for each in _sets(session)
        for note in each.prescription.cautions
    ]
    found += [
        Alert(severity=warning.severity, text=texts.in_the_plan.format(text=warning.text, mend=warning.mend))
        for warning in warnings
        if warning.severity == "critical"
        and any(pointer == at or pointer.startswith(f"{at}/") for pointer in warning.pointers)
    ]
    return tuple(sorted(dict.fromkeys(found), key=lambda alert: WORST_FIRST.index(alert.severity)))


def _standing(told: PrescribedSet) -> Standing:
    if told.prescription.decision == "withhold":
        return "withheld"
    return "left_out" if told.cut else "prescribed"


def _every_set(session: PrescribedSession, texts: SheetTexts) -> tuple[str, ...]:
    """Return what holds for all sets to be done: words explained, how a rep looks."""
    cues = [
        cue
        for each in _sets(session)
        if _standing(each) == "prescribed"
        for cue in each.prescription.stop_cues
    ]
    told = [texts.left_means] if cues else []
    told += [texts.every_set.format(cue=cue.text) for cue in cues if cue.kind == "technique"]
    told += [texts.bar_speed for cue in cues if cue.kind == "velocity_loss"]
    return tuple(dict.fromkeys(told))


class _Exercise(NamedTuple):
    """One exercise, and what its sets are told with; `assumed_rest_seconds` stands in for a rest not told [seconds]."""

    known: Exercise
    pointer: str
    assumed_rest_seconds: float | None
    printing: Printing


def _exercises(
    plan: Plan, answer: PrescribedPlan, number: int, printing: Printing
) -> Iterator[SheetExercise]:
    rests = (assumed.value for assumed in answer.assumptions if assumed.field == "rest_seconds")
    rest = next(rests, None)
    for place, prescribed in enumerate(answer.sessions[number - 1].exercises):
        known = printing.policy.data.exercises[prescribed.exercise]
        pointer = f"/sessions/{number - 1}/exercises/{place}"
        told = plan.sessions[number - 1].exercises[place].sets
        exercise = _Exercise(known, pointer, rest, printing)
        yield SheetExercise(
            exercise_order=place + 1,
            exercise=known.id,
            name=known.name,
            equipment=known.equipment,
            groups=tuple(_groups(told, prescribed, exercise)),
        )


def _groups(
    told: Sequence[PlanSet], prescribed: PrescribedExercise, exercise: _Exercise
) -> Iterator[SetGroup]:
    """Yield sets one after another that are done alike."""
    rows = []
    for place, (planned, each) in enumerate(zip(told, prescribed.sets, strict=True)):
        pointer = f"{exercise.pointer}/sets/{place}"
        row = SheetSet(pointer=pointer, set_order=place + 1, predicted_reps=each.predicted_reps)
        rows.append((_standing(each), _to_do(planned, each, exercise), row))
    for (standing, to_do), alike in groupby(rows, key=lambda row: row[:2]):
        yield SetGroup(standing=standing, to_do=to_do, sets=tuple(row[2] for row in alike))


def _to_do(told: PlanSet, prescribed: PrescribedSet, exercise: _Exercise) -> ToDo | None:
    """Return how a set is to be done; None for one that is withheld or left out."""
    found: Prescription = prescribed.prescription
    reserve = found.reps_in_reserve
    if reserve is None or _standing(prescribed) != "prescribed":
        return None
    conflict = found.expected.conflict if found.expected else None
    other = {way.keep: way for way in found.adjustments}
    other_percent = other["reps"].load_percent_1rm if "reps" in other else None
    band = next((cue for cue in found.stop_cues if cue.kind == "velocity_loss"), None)
    proposed, load = told.reps_in_reserve, _load(told, reserve.target, exercise)
    return ToDo(
        rep_target=told.rep_target,
        load=load,
        rest_seconds=exercise.assumed_rest_seconds if told.rest_seconds is None else told.rest_seconds,
        rest_told=told.rest_seconds is not None,
        reserve=reserve,
        rpe=found.rpe,
        feel=exercise.printing.texts.feel_of(reserve.target),
        stop=" ".join(cue.text for cue in found.stop_cues if cue.kind == "reps"),
        velocity_loss_percent=_band(band.low_percent, band.high_percent) if band else None,
        proposed_reps=None if proposed is None or reserve.low <= proposed <= reserve.high else proposed,
        too_heavy=conflict == "too_heavy",
        too_light=conflict == "too_light",
        other_load=None if other_percent is None else _other(load, _in_kg(other_percent, exercise)),
        other_reps=other["load"].rep_target if "load" in other else None,
    )


def _other(load: Load, other: Load) -> Load | None:
    """Return the other load unless the equipment's steps make it the same."""
    return None if other.kg is not None and other.kg == load.kg else other


def _band(low: float | None, high: float | None) -> tuple[float, float] | None:
    return None if low is None or high is None else (low, high)


def _load(told: PlanSet, target_reps: float, exercise: _Exercise) -> Load:
    """Return the plan's load; where it tells none and the 1RM is known, the one for the reps at the target."""
    if told.load_percent_1rm is not None:
        return _in_kg(told.load_percent_1rm, exercise)
    one_rep_max_kg = exercise.printing.one_rep_max_kg.get(exercise.known.id)
    if one_rep_max_kg is None:
        return Load(percent_1rm=None, kg=None)
    query = LoadQuery(
        one_rep_max_kg=one_rep_max_kg,
        rep_target=told.rep_target,
        reps_in_reserve=target_reps,
        exercise=exercise.known.id,
    )
    kg = estimate_load(query, exercise.printing.policy).load_kg or None
    return Load(percent_1rm=None, kg=kg, suggested=kg is not None)


def _in_kg(percent: float, exercise: _Exercise) -> Load:
    """Return a load with its kg on the equipment's steps, never above the 1RM; without kg where a step is too much."""
    one_rep_max_kg = exercise.printing.one_rep_max_kg.get(exercise.known.id)
    if one_rep_max_kg is None:
        return Load(percent_1rm=percent, kg=None)
    capacity = exercise.printing.policy.data.capacity
    step_kg = capacity.step_kg.get(exercise.known.equipment, capacity.default_step_kg)
    kg = nearest_step(one_rep_max_kg * percent / 100, step_kg)
    if kg > one_rep_max_kg:
        kg = round(kg - step_kg, 6)
    return Load(percent_1rm=percent, kg=kg or None)

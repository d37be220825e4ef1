"""A plan laid out: where each set stands in time, in its session and among the sets of the same muscles."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from math import ceil

from msgspec import Struct

from service.rules.learning.known import MICROS_PER_HOUR, Micros, micros_of
from service.rules.learning.performed import local_instant_of
from service.rules.plans.basis import PlanBasis
from service.rules.plans.placed import trains_alike
from service.rules.plans.plan import Plan, PlanExercise, PlanSet, Progression, pointer_of
from service.rules.policy import Exercise

DAYS_PER_WEEK = 7
MOST_OVERLAP = 100.0  # of `later_overlapping_sets`
STEPS_PER_REP = 16  # effects are told in sixteenths; so is the shift they come from


class Slot(Struct, frozen=True, kw_only=True):
    """One set in its place. Nothing here depends on any target.

    `session`, `exercise_at` and `set_at` count from 0; `week` from 1. `kept_sets` are the exercise's sets that are not
    cut. `later_overlapping_sets` [fractional sets] and `hours_until_trained` [hours, None: not again in the plan] look
    ahead over sets that are not cut.
    """

    session: int
    exercise_at: int
    set_at: int
    exercises_in_session: int
    kept_sets: int
    sets_in_exercise: int
    starts_at: datetime
    at: Micros
    week: int
    deload: bool | None
    shift_reps: float
    exercise: Exercise
    told: PlanSet
    later_overlapping_sets: float
    hours_until_trained: float | None

    @property
    def exercise_pointer(self) -> str:
        """JSON Pointer of the exercise in the plan."""
        return pointer_of(self.session, self.exercise_at)

    @property
    def pointer(self) -> str:
        """JSON Pointer of the set in the plan."""
        return pointer_of(self.session, self.exercise_at, self.set_at)

    @property
    def cut(self) -> bool:
        """True for a set to leave out."""
        return self.set_at >= self.kept_sets


class _Day(Struct, frozen=True, kw_only=True):
    """One session: its times, whether it eases off, its exercises with how many sets stay."""

    starts_at: datetime
    at: Micros
    week: int
    deload: bool | None
    exercises: tuple[tuple[Exercise, PlanExercise, int], ...]


def weeks_of(starts: Sequence[datetime]) -> list[int]:
    """Return the ISO week of each start in its own offset, numbered from the first, never falling."""
    mondays = [start.date().toordinal() - start.weekday() for start in starts]
    weeks: list[int] = []
    for monday in mondays:
        week = (monday - mondays[0]) // DAYS_PER_WEEK + 1
        weeks.append(max(week, weeks[-1] if weeks else 1))
    return weeks


def shift_in_week(progression: Progression | None, week: int) -> float:
    """Return what a week adds to targets [repetitions]: a straight line, then its end; 0 in a deload week."""
    if progression is None or week in (progression.deload_weeks or ()):
        return 0.0
    start, end = progression.start_shift_reps or 0.0, progression.end_shift_reps or 0.0
    steps = progression.weeks - 1
    gone = min(week - 1, steps) / steps if steps else float(week > 1)
    return round((start + (end - start) * gone) * STEPS_PER_REP) / STEPS_PER_REP


def _deload(told: bool | None, progression: Progression | None, week: int) -> bool | None:
    """What a session says of itself stands; else the progression speaks."""
    if told is None and progression is not None:
        return week in (progression.deload_weeks or ())
    return told


def _days(plan: Plan, basis: PlanBasis) -> list[_Day]:
    starts = [local_instant_of(session.starts_at) for session in plan.sessions]
    exercises = basis.policy.data.exercises
    keep = basis.plans.deload.keep_share
    days = []
    for session, start, week in zip(plan.sessions, starts, weeks_of(starts), strict=True):
        deload = _deload(session.deload, plan.progression, week)
        days.append(
            _Day(
                starts_at=start,
                at=micros_of(start),
                week=week,
                deload=deload,
                exercises=tuple(
                    (
                        exercises[each.exercise],
                        each,
                        max(1, ceil(len(each.sets) * keep)) if deload else len(each.sets),
                    )
                    for each in session.exercises
                ),
            )
        )
    return days


def _hours_until(days: Sequence[_Day]) -> list[dict[str, float]]:
    """Return per session, by muscle, the hours to the next session that trains it [hours]; no entry: not again."""
    found: list[dict[str, float]] = []
    next_at: dict[str, Micros] = {}
    for day in reversed(days):
        found.append({muscle: (at - day.at) / MICROS_PER_HOUR for muscle, at in next_at.items()})
        for exercise, _, _ in day.exercises:
            next_at.update(dict.fromkeys(exercise.muscles, day.at))
    return found[::-1]


def _later(day: _Day, place: int) -> float:
    """Return fractional sets of the exercises after `place` that train the same muscles [sets]."""
    exercise = day.exercises[place][0]
    return sum(trains_alike(exercise, other) * kept for other, _, kept in day.exercises[place + 1 :])


def _slots(number: int, day: _Day, hours_until: dict[str, float], shift_reps: float) -> Iterator[Slot]:
    for place, (exercise, told, kept) in enumerate(day.exercises):
        later, own = _later(day, place), trains_alike(exercise, exercise)
        until = [
            hours_until[muscle]
            for muscle, share in exercise.muscles.items()
            if share == 1 and muscle in hours_until
        ]
        for set_at, each in enumerate(told.sets):
            after = later + own * max(kept - set_at - 1, 0)
            yield Slot(
                session=number,
                exercise_at=place,
                set_at=set_at,
                exercises_in_session=len(day.exercises),
                kept_sets=kept,
                sets_in_exercise=len(told.sets),
                starts_at=day.starts_at,
                at=day.at,
                week=day.week,
                deload=day.deload,
                shift_reps=shift_reps,
                exercise=exercise,
                told=each,
                later_overlapping_sets=min(after, MOST_OVERLAP),
                hours_until_trained=min(until, default=None),
            )


def schedule(plan: Plan, basis: PlanBasis) -> list[Slot]:
    """Return every set of a valid plan in order."""
    days = _days(plan, basis)
    found: list[Slot] = []
    for number, (day, hours_until) in enumerate(zip(days, _hours_until(days), strict=True)):
        # a session that says it eases off has no shift either
        shift = 0.0 if day.deload else shift_in_week(plan.progression, day.week)
        found += _slots(number, day, hours_until, shift)
    return found

"""What follows from what is known, at an instant: the state to show and the context to prescribe from."""

from functools import lru_cache
from typing import Annotated

from msgspec import Meta, Struct

from service.rules.compiled import Policy
from service.rules.curves import interpolate
from service.rules.learning.known import (
    MICROS_PER_DAY,
    MICROS_PER_HOUR,
    ExerciseKnown,
    Known,
    Micros,
    MuscleKnown,
)
from service.rules.learning.numbers import Learning
from service.rules.policy import Exercise

HOURS_PER_DAY = 24
SESSIONS_COMPARED = 3  # one to compare with, two successive ones below it
DECIMALS = 3


def effective_exposures(known: ExerciseKnown, at: Micros, policy: Policy) -> float:
    """Sessions with the exercise that still protect at `at` [sessions], the one under way left out."""
    if known.last_at is None:
        return 0.0
    accustoming = policy.data.accustoming
    days = max(0, at - known.last_at) / MICROS_PER_DAY
    share = interpolate(accustoming.retention_days, accustoming.retention_share, days)
    return min(known.exposures, accustoming.full_exposures) * share


def _earlier_exposures(known: ExerciseKnown, at: Micros, policy: Policy, numbers: Learning) -> float:
    """As `effective_exposures`, but a session still under way at `at` does not count: it is this one."""
    if known.last_at is None or at - known.last_at > numbers.session_gap_hours * MICROS_PER_HOUR:
        return effective_exposures(known, at, policy)
    if known.previous_last_at is None:
        return 0.0
    accustoming = policy.data.accustoming
    days = max(0, at - known.previous_last_at) / MICROS_PER_DAY
    share = interpolate(accustoming.retention_days, accustoming.retention_share, days)
    return min(known.previous_exposures, accustoming.full_exposures) * share


def alike(one: Exercise, other: Exercise) -> bool:
    """True for two different exercises with the same joints that train the same muscles directly."""
    direct = {muscle for muscle, share in one.muscles.items() if share == 1}
    same = {muscle for muscle, share in other.muscles.items() if share == 1}
    return one.id != other.id and one.joints == other.joints and direct == same


@lru_cache(maxsize=1024)
def like_exercises(exercise_id: str, policy: Policy) -> tuple[str, ...]:
    """Return the ids of the catalogue's exercises alike to this one."""
    exercises = policy.data.exercises
    return tuple(name for name in sorted(exercises) if alike(exercises[exercise_id], exercises[name]))


def credited_exposures(
    exercise: Exercise, known: Known, at: Micros, policy: Policy, numbers: Learning
) -> float:
    """Own effective exposures plus a share of the best-known like exercise [sessions].

    Hyldahl 2017 (doi 10.1249/JES.0000000000000095): protection crosses over, smaller; the share is judgement.
    """
    own = _earlier_exposures(known.exercises.get(exercise.id, ExerciseKnown()), at, policy, numbers)
    like = [
        _earlier_exposures(known.exercises[name], at, policy, numbers)
        for name in like_exercises(exercise.id, policy)
        if name in known.exercises
    ]
    credit = numbers.exposure.like_share * max(like, default=0.0)
    return min(own + credit, policy.data.accustoming.full_exposures)


def hours_since_trained(known: MuscleKnown, at: Micros, numbers: Learning) -> float | None:
    """Hours since the muscle was last trained before the session under way [hours], None if never."""
    last = known.last_at
    if last is not None and at - last <= numbers.session_gap_hours * MICROS_PER_HOUR:
        last = known.previous_last_at
    return None if last is None else max(0, at - last) / MICROS_PER_HOUR


def failure_window(known: MuscleKnown, at: Micros, numbers: Learning) -> tuple[float, float]:
    """Fractional sets and failure share [0-1] of a muscle in the days that count, by whole hours."""
    now = at // MICROS_PER_HOUR
    oldest = now - numbers.fatigue.failure_days * HOURS_PER_DAY
    counted = [count for count in known.hours if oldest < count.hour <= now]
    sets = sum(count.sets for count in counted)
    failures = sum(count.failures for count in counted)
    return sets, failures / sets if sets else 0.0


def stalled(known: ExerciseKnown, numbers: Learning) -> bool:
    """True when in two successive sessions performance at equal load lay two reps below the one before.

    Consistent with accumulated fatigue; never a diagnosis. The drop is beyond the repeatability of one rep
    (Mitter 2022).
    """
    if len(known.bests) < SESSIONS_COMPARED:
        return False
    first, *later = known.bests
    return all(
        any(
            best - reps >= numbers.fatigue.stall_drop_reps
            for load, best in first.reps_by_load.items()
            for other, reps in session.reps_by_load.items()
            if abs(float(load) - float(other)) <= numbers.fatigue.equal_load_share * float(load)
        )
        for session in later
    )


class Estimate(Struct, frozen=True, kw_only=True):
    """Mean, standard deviation and 90 % interval."""

    mean: float
    sd: float
    low: float
    high: float


class Offset(Struct, frozen=True, kw_only=True):
    """Personal part of the capacity curve, as the natural logarithm of a factor on its scale."""

    mean: float
    sd: float


class ExerciseState(Struct, frozen=True, kw_only=True):
    """What has been learned about one exercise."""

    exercise: str
    sets: Annotated[int, Meta(description="Sets it rests on.")]
    effective_exposures: Annotated[float, Meta(description="Sessions that still protect [sessions].")]
    last_performed_at: str
    one_rep_max_kg: Estimate | None
    capacity_offset: Offset
    stall: Annotated[
        bool,
        Meta(
            description="Performance at equal load fell two reps in two successive sessions: consistent with "
            "accumulated fatigue, not a diagnosis."
        ),
    ]


class MuscleState(Struct, frozen=True, kw_only=True):
    """What has been learned about one muscle."""

    muscle: str
    last_trained_at: str
    failure_share_7d: Annotated[float, Meta(ge=0, le=1)]
    fractional_sets_7d: float


class BiasState(Struct, frozen=True, kw_only=True):
    """True minus reported reserve [repetitions] in the reference condition, with its 90 % interval."""

    mean_reps: float
    sd_reps: float
    low_reps: float
    high_reps: float
    verified_sets: Annotated[int, Meta(description="Sets with a known end it rests on.")]


class LifterState(Struct, frozen=True, kw_only=True):
    """What has been learned of one lifter at an instant."""

    lifter_id: str
    sets: int
    exercises: tuple[ExerciseState, ...]
    muscles: tuple[MuscleState, ...]
    reporting_bias: BiasState

"""One more set: what was known in, what is known now out.

Folding a lifter's sets from nothing in order of (`performed_at`, `set_id`) gives the same rows as adding them one by
one in that order. A set that is older than what is known means folding anew.
"""

from collections.abc import Iterable

from msgspec import Struct
from msgspec.structs import replace

from service.rules.compiled import Policy
from service.rules.curves import interpolate
from service.rules.learning.known import (
    MICROS_PER_DAY,
    MICROS_PER_HOUR,
    ExerciseKnown,
    HourCount,
    Known,
    LifterKnown,
    Micros,
    MuscleKnown,
    SessionBest,
    WeekExercise,
    WeekKnown,
    micros_of,
)
from service.rules.learning.numbers import Learning
from service.rules.learning.performed import PerformedSet, instant_of
from service.rules.learning.reporting import (
    Condition,
    bias_in,
    learn_bias,
    lower_body_free_weight,
    verified_error,
)
from service.rules.learning.strength import Measured, learn_strength, repeat_sd
from service.rules.learning.view import SESSIONS_COMPARED
from service.rules.policy import Exercise

CALIBRATING = ("momentary_failure", "self_determined_rm", "planned_stop")


class Fallen(Struct, frozen=True, kw_only=True):
    """A set, placed: its instant, exercise, and the reserve it truly ended with as far as known."""

    performed: PerformedSet
    at: Micros
    exercise: Exercise
    reserve: float | None
    failure: bool


def week_of(performed: PerformedSet) -> str:
    """Return the ISO week (UTC) of the set, e.g. `2026-W48`."""
    year, week, _ = instant_of(performed.performed_at).isocalendar()
    return f"{year}-W{week:02d}"


def _reserve(performed: PerformedSet) -> float | None:
    """Reserve as reported [repetitions]; 0 where the end point says so."""
    if performed.set_endpoint in ("momentary_failure", "self_determined_rm"):
        return 0.0
    return performed.reported_rir


def _placed(performed: PerformedSet, policy: Policy) -> Fallen:
    return Fallen(
        performed=performed,
        at=micros_of(instant_of(performed.performed_at)),
        exercise=policy.data.exercises[performed.exercise],
        reserve=_reserve(performed),
        failure=performed.set_endpoint == "momentary_failure",
    )


def measured(fallen: Fallen, lifter: LifterKnown, policy: Policy, numbers: Learning) -> Measured | None:
    """Repetitions to failure the set is evidence for, None when its end point teaches nothing.

    Technical failure, volitional stop and safety stop do not calibrate; nor does a reserve too large to count.
    """
    performed, reserve = fallen.performed, fallen.reserve
    if performed.set_endpoint not in CALIBRATING or reserve is None:
        return None
    if (
        performed.load_kg < numbers.strength.least_load_kg
        or performed.reps < 1
        or reserve >= numbers.reporting.not_from_reported
    ):
        return None
    family = policy.data.families_by_exercise[performed.exercise]
    reps, report_sd = performed.reps + reserve, 0.0
    if not fallen.failure:
        condition = Condition(
            reps=performed.reps,
            reported=reserve,
            first_set=performed.set_order == 1,
            lower_body_free_weight=lower_body_free_weight(fallen.exercise, numbers.reporting),
        )
        bias = bias_in(condition, lifter, numbers.reporting)
        reps, report_sd = max(reps + bias.mean, float(performed.reps)), bias.report_sd
    if reps > numbers.strength.most_reps_to_failure:
        return None
    own = repeat_sd(reps, policy.data.capacity, family, numbers.strength)
    return Measured(
        at=fallen.at,
        load_kg=performed.load_kg,
        reps=reps,
        sd_reps=float((own**2 + report_sd**2) ** 0.5),
    )


def _exposed(known: ExerciseKnown, fallen: Fallen, policy: Policy, numbers: Learning) -> ExerciseKnown:
    """Count the session: a new one after a gap, at the weight of its hardest set."""
    easy = fallen.reserve is not None and fallen.reserve >= numbers.exposure.easy_from_reserve
    weight = numbers.exposure.easy_weight if easy else 1.0
    gap_hours = numbers.session_gap_hours
    if known.last_at is not None and fallen.at - known.last_at <= gap_hours * MICROS_PER_HOUR:
        added = max(0.0, weight - known.session_weight)
        return replace(
            known,
            exposures=known.exposures + added,
            session_weight=max(weight, known.session_weight),
            last_at=fallen.at,
        )
    accustoming = policy.data.accustoming
    kept = 0.0
    if known.last_at is not None:
        days = (fallen.at - known.last_at) / MICROS_PER_DAY
        share = interpolate(accustoming.retention_days, accustoming.retention_share, days)
        kept = min(known.exposures, accustoming.full_exposures) * share
    return replace(
        known,
        exposures=kept + weight,
        session_weight=weight,
        started_at=fallen.at,
        last_at=fallen.at,
        previous_last_at=known.last_at,
        previous_exposures=known.exposures,
    )


def _bests(known: ExerciseKnown, found: Measured | None) -> tuple[SessionBest, ...]:
    """Best repetitions to failure per load, in the latest sessions."""
    if found is None or known.started_at is None:
        return known.bests
    load = f"{found.load_kg:g}"
    bests = known.bests
    if not bests or bests[-1].started_at != known.started_at:
        bests = (*bests, SessionBest(started_at=known.started_at, reps_by_load={}))[-SESSIONS_COMPARED:]
    now = dict(bests[-1].reps_by_load)
    now[load] = max(now.get(load, 0.0), found.reps)
    return (*bests[:-1], replace(bests[-1], reps_by_load=now))


def _exercise(
    known: ExerciseKnown, fallen: Fallen, found: Measured | None, policy: Policy, numbers: Learning
) -> ExerciseKnown:
    exposed = _exposed(known, fallen, policy, numbers)
    strength = exposed.strength
    if found is not None:
        family = policy.data.families_by_exercise[fallen.exercise.id]
        strength = learn_strength(strength, found, policy.data.capacity, family, numbers.strength)
    return replace(exposed, sets=exposed.sets + 1, strength=strength, bests=_bests(exposed, found))


def _muscle(known: MuscleKnown, fallen: Fallen, share: float, numbers: Learning) -> MuscleKnown:
    hour = fallen.at // MICROS_PER_HOUR
    failed = share if fallen.failure else 0.0
    oldest = hour - (numbers.fatigue.failure_days + 1) * 24
    hours = tuple(count for count in known.hours if count.hour >= oldest)
    if hours and hours[-1].hour == hour:
        last = hours[-1]
        counted = HourCount(hour, last.sets + share, last.failures + failed)
        hours = (*hours[:-1], counted)
    else:
        hours = (*hours, HourCount(hour, share, failed))
    gap = numbers.session_gap_hours * MICROS_PER_HOUR
    if known.last_at is not None and fallen.at - known.last_at <= gap:
        return replace(known, last_at=fallen.at, hours=hours)
    return MuscleKnown(started_at=fallen.at, last_at=fallen.at, previous_last_at=known.last_at, hours=hours)


def _week_exercise(known: WeekExercise, fallen: Fallen, error: float | None) -> WeekExercise:
    performed = fallen.performed
    endpoints = dict(known.endpoints)
    endpoints[performed.set_endpoint] = endpoints.get(performed.set_endpoint, 0) + 1
    compared = performed.prescribed_rir is not None and fallen.reserve is not None
    return WeekExercise(
        sets=known.sets + 1,
        endpoints=endpoints,
        compared=known.compared + compared,
        prescribed_sum=known.prescribed_sum + (performed.prescribed_rir or 0.0 if compared else 0.0),
        done_sum=known.done_sum + (fallen.reserve or 0.0 if compared else 0.0),
        verified=known.verified + (error is not None),
        bias_sum=known.bias_sum + (error or 0.0),
    )


def _week(known: WeekKnown, fallen: Fallen, error: float | None) -> WeekKnown:
    name = fallen.exercise.id
    exercises = dict(known.exercises)
    exercises[name] = _week_exercise(exercises.get(name, WeekExercise()), fallen, error)
    muscles = dict(known.muscles)
    for muscle, share in fallen.exercise.muscles.items():
        last = muscles.get(muscle, HourCount(0, 0.0, 0.0))
        failed = share if fallen.failure else 0.0
        muscles[muscle] = HourCount(0, last.sets + share, last.failures + failed)
    return WeekKnown(exercises=exercises, muscles=muscles)


def _lifter(known: LifterKnown, fallen: Fallen, numbers: Learning) -> LifterKnown:
    performed = fallen.performed
    taught = learn_bias(known, performed, fallen.exercise, numbers.reporting, numbers.strength.gate_sd)
    stopped = performed.set_endpoint == "safety_stop"
    return replace(
        taught,
        sets=known.sets + 1,
        newest_at=fallen.at,
        newest_id=str(performed.set_id),
        safety_stop_at=fallen.at if stopped else known.safety_stop_at,
    )


def learn(known: Known, performed: PerformedSet, policy: Policy, numbers: Learning) -> None:
    """Carry `known` forward by one set, not older than what it holds. Rows it lacks start empty."""
    fallen = _placed(performed, policy)
    name, week = fallen.exercise.id, week_of(performed)
    error = verified_error(performed, numbers.reporting)
    found = measured(fallen, known.lifter, policy, numbers)
    before = known.exercises.get(name, ExerciseKnown())
    known.exercises[name] = _exercise(before, fallen, found, policy, numbers)
    for muscle, share in fallen.exercise.muscles.items():
        known.muscles[muscle] = _muscle(known.muscles.get(muscle, MuscleKnown()), fallen, share, numbers)
    known.weeks[week] = _week(known.weeks.get(week, WeekKnown()), fallen, error)
    known.lifter = _lifter(known.lifter, fallen, numbers)


def learn_all(sets: Iterable[PerformedSet], policy: Policy, numbers: Learning) -> Known:
    """Return what `sets`, oldest first, teach from nothing."""
    known = Known()
    for performed in sets:
        learn(known, performed, policy, numbers)
    return known

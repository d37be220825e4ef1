"""From what an app knows of the next set and what history knows of the lifter to a whole set context."""

from typing import get_args

from msgspec import Struct, structs

from service.rules.answer import Prescription
from service.rules.compiled import Policy
from service.rules.context import Caution, Experience, Goal, ReportingBias, SetContext
from service.rules.estimate import estimate_load
from service.rules.estimates import LoadEstimate, LoadQuery
from service.rules.learning.known import MICROS_PER_DAY, Known, Micros
from service.rules.learning.numbers import Learning
from service.rules.learning.reporting import Condition, bias_in, lower_body_free_weight
from service.rules.learning.strength import one_rep_max_kg, strength_at
from service.rules.learning.view import (
    DECIMALS,
    credited_exposures,
    failure_window,
    hours_since_trained,
)
from service.rules.prescribe import prescribe

MOST_HOURS = 10_000.0
MOST_BIAS_REPS = 5.0
WHOLE_PERCENT = 100.0
LEAST_PERCENT = 0.001
STOPPED_FOR_SAFETY: Caution = "recent_injury_or_surgery"


class Profile(Struct, frozen=True, kw_only=True):
    """What is told about a lifter once, not per set."""

    experience: Experience | None = None
    goal: Goal | None = None
    cautions: tuple[Caution, ...] = ()


class Filled(Struct, frozen=True, kw_only=True):
    """A prescription, the context it was computed from, and the load that fits it (None when unknown)."""

    prescription: Prescription
    context_used: SetContext
    suggested_load: LoadEstimate | None


def _direct_muscles(context: SetContext, policy: Policy) -> tuple[str, ...]:
    shares: dict[str, float] = {}
    if context.exercise is not None:
        shares = policy.data.exercises[context.exercise].muscles
    elif context.exercise_traits is not None:
        shares = context.exercise_traits.muscles or {}
    return tuple(muscle for muscle, share in shares.items() if share == 1)


def _cautions(
    context: SetContext, profile: Profile, known: Known, at: Micros, numbers: Learning
) -> tuple[Caution, ...] | None:
    told = {*(context.cautions or ()), *profile.cautions}
    stopped = known.lifter.safety_stop_at
    if stopped is not None and at - stopped <= numbers.fatigue.safety_stop_days * MICROS_PER_DAY:
        told.add(STOPPED_FOR_SAFETY)
    ordered = tuple(caution for caution in get_args(Caution) if caution in told)
    return ordered or context.cautions


def _hours(context: SetContext, known: Known, at: Micros, policy: Policy, numbers: Learning) -> float | None:
    found = [
        hours
        for muscle in _direct_muscles(context, policy)
        if muscle in known.muscles
        and (hours := hours_since_trained(known.muscles[muscle], at, numbers)) is not None
    ]
    return min(round(min(found), DECIMALS), MOST_HOURS) if found else None


def _failure_share(
    context: SetContext, known: Known, at: Micros, policy: Policy, numbers: Learning
) -> float | None:
    shares = [
        failure_window(known.muscles[muscle], at, numbers)[1]
        for muscle in _direct_muscles(context, policy)
        if muscle in known.muscles
    ]
    return round(max(shares), DECIMALS) if shares else None


def one_rep_max_at(exercise: str | None, known: Known, at: Micros, numbers: Learning) -> float | None:
    """Estimated 1RM [kg] of the exercise, None when nothing was learned about it."""
    row = known.exercises.get(exercise or "")
    if row is None or row.strength is None:
        return None
    return one_rep_max_kg(strength_at(row.strength, at, numbers.strength))[0]


def _load_percent(load_kg: float | None, one_rep_max: float | None) -> float | None:
    if not load_kg or one_rep_max is None:
        return None
    percent = round(WHOLE_PERCENT * load_kg / one_rep_max, DECIMALS)
    return max(min(percent, WHOLE_PERCENT), LEAST_PERCENT)


def fill(
    context: SetContext,
    profile: Profile,
    known: Known,
    at: Micros,
    load_kg: float | None,
    policy: Policy,
    numbers: Learning,
) -> SetContext:
    """Return `context` with what it leaves out taken from profile and history; what it says stands.

    Expects a valid context. With no history at all nothing is filled but the profile: a cold start.
    """
    has_history = known.lifter.sets > 0
    filled = structs.replace(
        context,
        experience=context.experience or profile.experience,
        goal=context.goal or profile.goal,
        cautions=_cautions(context, profile, known, at, numbers),
    )
    if not has_history:
        return filled
    exposures = context.exposures
    if exposures is None and context.exercise is not None:
        exercise = policy.data.exercises[context.exercise]
        exposures = round(credited_exposures(exercise, known, at, policy, numbers), DECIMALS)
    percent, hours = context.load_percent_1rm, context.hours_since_muscle_trained
    share = context.failure_share_7d
    if percent is None:
        percent = _load_percent(load_kg, one_rep_max_at(context.exercise, known, at, numbers))
    return structs.replace(
        filled,
        exposures=exposures,
        load_percent_1rm=percent,
        hours_since_muscle_trained=_hours(context, known, at, policy, numbers) if hours is None else hours,
        failure_share_7d=_failure_share(context, known, at, policy, numbers) if share is None else share,
    )


def _bias(
    context: SetContext, target: float, known: Known, policy: Policy, numbers: Learning
) -> ReportingBias:
    reporting = numbers.reporting
    exercise = policy.data.exercises.get(context.exercise or "")
    condition = Condition(
        reps=context.rep_target,
        reported=target,
        first_set=context.set_order == 1,
        lower_body_free_weight=exercise is not None and lower_body_free_weight(exercise, reporting),
        novice=context.experience == "novice",
    )
    bias = bias_in(condition, known.lifter, reporting)
    mean = max(-MOST_BIAS_REPS, min(MOST_BIAS_REPS, bias.mean))
    return ReportingBias(mean_reps=round(mean, DECIMALS), sd_reps=round(bias.sd, DECIMALS))


def prescribe_for(
    context: SetContext,
    profile: Profile,
    known: Known,
    at: Micros,
    load_kg: float | None,
    policy: Policy,
    numbers: Learning,
) -> Filled:
    """Return the prescription for `context` filled from history; `prescribe(context_used)` gives the same.

    The bias depends on the reserve to be reported, so the target is found first; a bias never moves it.
    Raises InputRefused as `prescribe` does.
    """
    prescribe(context, policy)  # faults are told of what was sent, before anything is filled in
    filled = fill(context, profile, known, at, load_kg, policy, numbers)
    first = prescribe(filled, policy)
    if first.reps_in_reserve is None:
        return Filled(prescription=first, context_used=filled, suggested_load=None)
    target = first.reps_in_reserve.target
    if filled.reporting_bias is None and known.lifter.sets:
        filled = structs.replace(filled, reporting_bias=_bias(filled, target, known, policy, numbers))
    one_rep_max = one_rep_max_at(context.exercise, known, at, numbers)
    suggested = None
    if one_rep_max is not None:
        query = LoadQuery(
            one_rep_max_kg=one_rep_max,
            rep_target=context.rep_target,
            reps_in_reserve=target,
            exercise=context.exercise,
        )
        suggested = estimate_load(query, policy)
    return Filled(prescription=prescribe(filled, policy), context_used=filled, suggested_load=suggested)

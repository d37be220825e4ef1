"""From what an app knows of the next set and what history knows of the lifter to a whole set context."""

from math import exp
from typing import Annotated, get_args

from msgspec import Meta, Struct, structs

from service.errors import InputRefused
from service.rules.compiled import Policy
from service.rules.context import Caution, Cautions, Experience, Goal, ReportingBias, SetContext
from service.rules.estimate import estimate_load
from service.rules.estimates import LoadEstimate, LoadQuery
from service.rules.learning.known import MICROS_PER_DAY, Known, Micros, StrengthKnown
from service.rules.learning.numbers import Learning
from service.rules.learning.performed import Instant
from service.rules.learning.reporting import Condition, bias_in, lower_body_free_weight
from service.rules.learning.strength import one_rep_max_kg, strength_at
from service.rules.learning.view import (
    DECIMALS,
    credited_exposures,
    failure_window,
    hours_since_trained,
    like_exercises,
)
from service.rules.prescribe import prescribe_brief
from service.rules.validity import faults_of

MOST_HOURS = 10_000.0
MOST_BIAS_REPS = 5.0
WHOLE_PERCENT = 100.0
LEAST_PERCENT = 0.001
STOPPED_FOR_SAFETY: Caution = "recent_injury_or_surgery"


class Profile(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is told about a lifter once, not per set; a set context that says otherwise stands."""

    experience: Annotated[Experience, Meta(description="Training experience.")] | None = None
    goal: Annotated[Goal, Meta(description="What the training is for.")] | None = None
    cautions: Cautions | None = None


class LifterSetContext(SetContext, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One working set of a lifter with a history: what is left out comes from it. Only `rep_target` is required."""

    at: Annotated[Instant, Meta(description="When the set will be done; default: now.")] | None = None
    load_kg: (
        Annotated[
            float,
            Meta(
                ge=0,
                le=1000,
                description="Load [kg]: becomes `load_percent_1rm`, unless that is sent, once the history has taught "
                "a 1RM of `exercise`.",
            ),
        ]
        | None
    ) = None


class Filled(Struct, frozen=True, kw_only=True):
    """A whole set context, and the load that fits its target (None when no 1RM is known or no target given)."""

    context_used: SetContext
    suggested_load: LoadEstimate | None


def direct_muscles(context: SetContext, policy: Policy) -> tuple[str, ...]:
    """Return the muscles the set's exercise trains directly; none when the exercise is unknown."""
    shares: dict[str, float] = {}
    if context.exercise is not None:
        shares = policy.data.exercises[context.exercise].muscles
    elif context.exercise_traits is not None:
        shares = context.exercise_traits.muscles or {}
    return tuple(muscle for muscle, share in shares.items() if share == 1)


def cautions_in_force(
    told_now: tuple[Caution, ...] | None, profile: Profile, known: Known, at: Micros, numbers: Learning
) -> tuple[Caution, ...] | None:
    """Return what calls for care at `at`: told now, told with the profile, or a set stopped for safety lately."""
    told = {*(told_now or ()), *(profile.cautions or ())}
    stopped = known.lifter.safety_stop_at
    if stopped is not None and at - stopped <= numbers.fatigue.safety_stop_days * MICROS_PER_DAY:
        told.add(STOPPED_FOR_SAFETY)
    ordered = tuple(caution for caution in get_args(Caution) if caution in told)
    return ordered or told_now


def _hours(context: SetContext, known: Known, at: Micros, policy: Policy, numbers: Learning) -> float | None:
    found = [
        hours
        for muscle in direct_muscles(context, policy)
        if muscle in known.muscles
        and (hours := hours_since_trained(known.muscles[muscle], at, numbers)) is not None
    ]
    return min(round(min(found), DECIMALS), MOST_HOURS) if found else None


def failure_share(
    context: SetContext, known: Known, at: Micros, policy: Policy, numbers: Learning
) -> float | None:
    """Return the largest failure share [0-1] of the last days among the direct muscles; None when none is known."""
    shares = [
        failure_window(known.muscles[muscle], at, numbers)[1]
        for muscle in direct_muscles(context, policy)
        if muscle in known.muscles
    ]
    return round(max(shares), DECIMALS) if shares else None


def strength_known(exercise: str | None, known: Known, at: Micros, numbers: Learning) -> StrengthKnown | None:
    """Return what is known of the lifter's strength in the exercise at `at`; None when nothing is."""
    row = known.exercises.get(exercise or "")
    if row is None or row.strength is None:
        return None
    return strength_at(row.strength, at, numbers.strength)


def _load_percent(load_kg: float | None, strength: StrengthKnown | None) -> float | None:
    if not load_kg or strength is None:
        return None
    percent = round(WHOLE_PERCENT * load_kg / one_rep_max_kg(strength)[0], DECIMALS)
    return max(min(percent, WHOLE_PERCENT), LEAST_PERCENT)


def _filled(
    context: SetContext,
    profile: Profile,
    known: Known,
    at: Micros,
    load_kg: float | None,
    policy: Policy,
    numbers: Learning,
) -> SetContext:
    filled = structs.replace(
        context,
        experience=context.experience or profile.experience,
        goal=context.goal or profile.goal,
        cautions=cautions_in_force(context.cautions, profile, known, at, numbers),
    )
    if not known.lifter.sets:
        return filled
    exposures = context.exposures
    if exposures is None and context.exercise is not None:
        exercise = policy.data.exercises[context.exercise]
        exposures = round(credited_exposures(exercise, known, at, policy, numbers), DECIMALS)
    percent, hours = context.load_percent_1rm, context.hours_since_muscle_trained
    share = context.failure_share_7d
    if percent is None:
        percent = _load_percent(load_kg, strength_known(context.exercise, known, at, numbers))
    return structs.replace(
        filled,
        exposures=exposures,
        load_percent_1rm=percent,
        hours_since_muscle_trained=_hours(context, known, at, policy, numbers) if hours is None else hours,
        failure_share_7d=failure_share(context, known, at, policy, numbers) if share is None else share,
    )


def reporting_bias(
    context: SetContext, target: float, known: Known, policy: Policy, numbers: Learning
) -> ReportingBias:
    """Return how far the lifter's count is off [repetitions] in such a set with `target` in reserve."""
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


def _suggested(
    context: SetContext, target: float, strength: StrengthKnown | None, policy: Policy
) -> LoadEstimate | None:
    if strength is None:
        return None
    query = LoadQuery(
        one_rep_max_kg=one_rep_max_kg(strength)[0],
        rep_target=context.rep_target,
        reps_in_reserve=target,
        exercise=context.exercise,
    )
    return estimate_load(query, policy, personal_scale=exp(strength.offset))


def fill(
    context: LifterSetContext, profile: Profile, known: Known, at: Micros, policy: Policy, numbers: Learning
) -> Filled:
    """Return `context` with what it leaves out taken from profile and history; what it says stands.

    The context used names its policy, so that it means the same for ever. With no history at all nothing is filled but
    the profile: a cold start. Raises InputRefused as `prescribe` does, with the places of what was sent.
    """
    sent = SetContext(**{name: getattr(context, name) for name in SetContext.__struct_fields__})
    if faults := faults_of(sent, policy):
        raise InputRefused(faults)
    sent = structs.replace(sent, policy=policy.version)
    filled = _filled(sent, profile, known, at, context.load_kg, policy, numbers)
    reserve = prescribe_brief(filled, policy).reps_in_reserve
    if reserve is None:
        return Filled(context_used=filled, suggested_load=None)
    # The bias depends on the reserve to be reported, so the target is found first: no bias moves it.
    if filled.reporting_bias is None and known.lifter.sets:
        bias = reporting_bias(filled, reserve.target, known, policy, numbers)
        filled = structs.replace(filled, reporting_bias=bias)
    strength = strength_known(context.exercise, known, at, numbers)
    suggested = _suggested(filled, reserve.target, strength, policy)
    return Filled(context_used=filled, suggested_load=suggested)


class Needed(Struct, frozen=True, kw_only=True):
    """Which rows of what is known a context asks for, by id."""

    exercises: tuple[str, ...]
    muscles: tuple[str, ...]


def needed(context: SetContext, policy: Policy) -> Needed:
    """Return the rows `fill` looks at: the exercise, those alike, the muscles trained directly. Expects it valid."""
    exercises: tuple[str, ...] = ()
    if context.exercise is not None:
        exercises = (context.exercise, *like_exercises(context.exercise, policy))
    return Needed(exercises=exercises, muscles=direct_muscles(context, policy))

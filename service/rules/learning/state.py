"""The state of one lifter at an instant, in the words and units of the API."""

from datetime import timedelta
from math import exp, sqrt

from service.rules.compiled import Policy
from service.rules.learning.known import EPOCH, ExerciseKnown, Known, LifterKnown, Micros, StrengthKnown
from service.rules.learning.numbers import Learning
from service.rules.learning.reporting import Condition, bias_in
from service.rules.learning.strength import one_rep_max_kg, strength_at
from service.rules.learning.view import (
    DECIMALS,
    BiasState,
    Estimate,
    ExerciseState,
    LifterState,
    MuscleState,
    Offset,
    effective_exposures,
    failure_window,
    stalled,
)


def instant_text(at: Micros) -> str:
    """Return an instant as RFC 3339 in UTC."""
    return (EPOCH + timedelta(microseconds=at)).isoformat().replace("+00:00", "Z")


def _rounded(value: float) -> float:
    return round(value, DECIMALS) + 0.0


def _strength(known: StrengthKnown | None, policy: Policy) -> Estimate | None:
    if known is None:
        return None
    mean, sd = one_rep_max_kg(known)
    margin = policy.data.capacity.interval_z * sqrt(known.var_1rm)
    return Estimate(
        mean=_rounded(mean),
        sd=_rounded(sd),
        low=_rounded(exp(known.log_1rm - margin)),
        high=_rounded(exp(known.log_1rm + margin)),
    )


def _exercise(name: str, row: ExerciseKnown, at: Micros, policy: Policy, numbers: Learning) -> ExerciseState:
    strength = None if row.strength is None else strength_at(row.strength, at, numbers.strength)
    offset = Offset(mean=0.0, sd=_rounded(numbers.strength.offset_sd))
    if strength is not None:
        offset = Offset(mean=_rounded(strength.offset), sd=_rounded(sqrt(strength.var_offset)))
    return ExerciseState(
        exercise=name,
        sets=row.sets,
        effective_exposures=_rounded(effective_exposures(row, at, policy)),
        last_performed_at=instant_text(row.last_at or 0),
        one_rep_max_kg=_strength(strength, policy),
        capacity_offset=offset,
        stall=stalled(row, numbers),
    )


def _bias(lifter: LifterKnown, novice: bool, policy: Policy, numbers: Learning) -> BiasState:
    reporting = numbers.reporting
    reference = Condition(reps=reporting.reference_reps, reported=reporting.reference_reported, novice=novice)
    bias = bias_in(reference, lifter, reporting)
    margin = policy.data.capacity.interval_z * bias.sd
    return BiasState(
        mean_reps=_rounded(bias.mean),
        sd_reps=_rounded(bias.sd),
        low_reps=_rounded(bias.mean - margin),
        high_reps=_rounded(bias.mean + margin),
        verified_sets=lifter.verified_sets,
    )


def state_of(
    lifter_id: str, known: Known, at: Micros, *, novice: bool, policy: Policy, numbers: Learning
) -> LifterState:
    """Return what has been learned at `at`, exercises and muscles in order of their ids."""
    muscles = []
    for name, row in sorted(known.muscles.items()):
        sets, share = failure_window(row, at, numbers)
        muscles.append(
            MuscleState(
                muscle=name,
                last_trained_at=instant_text(row.last_at or 0),
                failure_share_7d=_rounded(share),
                fractional_sets_7d=_rounded(sets),
            )
        )
    return LifterState(
        lifter_id=lifter_id,
        sets=known.lifter.sets,
        exercises=tuple(
            _exercise(name, row, at, policy, numbers) for name, row in sorted(known.exercises.items())
        ),
        muscles=tuple(muscles),
        reporting_bias=_bias(known.lifter, novice, policy, numbers),
    )

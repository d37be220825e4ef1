"""How far a lifter's own count is off: prior per condition, posterior from sets with a known end.

bias = true - reported reserve [repetitions]. A lifter's bias is the condition's prior mean plus a personal part with
a normal prior; verified reports update it as a conjugate normal posterior. Prior figures: Halperin 2022 (doi
10.1007/s40279-021-01559-x), Zourdos 2021, Refalo 2023 and others named in the data.
"""

from math import sqrt

from msgspec import Struct
from msgspec.structs import replace

from service.rules.learning.known import LifterKnown
from service.rules.learning.numbers import Reporting
from service.rules.learning.performed import PerformedSet
from service.rules.policy import Exercise


class Condition(Struct, frozen=True, kw_only=True):
    """What the size of a reporting error depends on."""

    reps: float
    reported: float
    first_set: bool = False
    lower_body_free_weight: bool = False
    novice: bool = False


class Bias(Struct, frozen=True, kw_only=True):
    """Mean and SD of a lifter's bias [repetitions] in one condition, and the spread of a single report."""

    mean: float
    sd: float
    report_sd: float


def lower_body_free_weight(exercise: Exercise, numbers: Reporting) -> bool:
    """True for a free-weight lift that trains a muscle of the lower body directly."""
    free = exercise.equipment in ("barbell", "dumbbell")
    return free and any(exercise.muscles.get(muscle) == 1 for muscle in numbers.lower_body_muscles)


def prior(condition: Condition, numbers: Reporting) -> tuple[float, float]:
    """Mean bias and spread of one report [repetitions] before anything is known of the lifter."""
    row = next(
        entry
        for entry in numbers.priors
        if condition.reps <= entry.up_to_reps and condition.reported <= entry.up_to_reported
    )
    mean, sd = row.mean, row.sd
    for holds, widening in (
        (condition.first_set, numbers.first_set),
        (condition.lower_body_free_weight, numbers.lower_body_free_weight),
        (condition.novice, numbers.novice),
    ):
        if holds:
            mean += widening.add_mean
            sd *= widening.sd_factor
    return mean, sd


def bias_in(condition: Condition, lifter: LifterKnown, numbers: Reporting) -> Bias:
    """Posterior bias in `condition`; the personal part is clipped to the data's distance from the prior."""
    mean, report_sd = prior(condition, numbers)
    precision = 1.0 / numbers.between_sd**2 + lifter.bias_precision
    personal = lifter.bias_weighted / precision
    personal = max(-numbers.clip_reps, min(numbers.clip_reps, personal))
    return Bias(mean=mean + personal, sd=sqrt(1.0 / precision), report_sd=report_sd)


def verified_error(performed: PerformedSet, numbers: Reporting) -> float | None:
    """True minus called reserve [repetitions] of a set that shows both, else None.

    Only a call made during the set and then momentary failure show both.
    """
    call = performed.rir_call
    if call is None or performed.set_endpoint != "momentary_failure":
        return None
    if call.at_rep > performed.reps or call.reps_left >= numbers.not_from_reported:
        return None
    return performed.reps - call.at_rep - call.reps_left


def learn_bias(
    lifter: LifterKnown, performed: PerformedSet, exercise: Exercise, numbers: Reporting, gate_sd: float
) -> LifterKnown:
    """Return `lifter` with what a verified set teaches; unchanged by any other set.

    An error further than `gate_sd` spreads from the prior counts as that far: wild data cannot run away.
    """
    error = verified_error(performed, numbers)
    if error is None or performed.rir_call is None:
        return lifter
    condition = Condition(
        reps=performed.reps,
        reported=performed.rir_call.reps_left,
        first_set=performed.set_order == 1,
        lower_body_free_weight=lower_body_free_weight(exercise, numbers),
    )
    mean, sd = prior(condition, numbers)
    surprise = max(-gate_sd * sd, min(gate_sd * sd, error - mean))
    return replace(
        lifter,
        bias_precision=lifter.bias_precision + 1.0 / sd**2,
        bias_weighted=lifter.bias_weighted + surprise / sd**2,
        verified_sets=lifter.verified_sets + 1,
    )

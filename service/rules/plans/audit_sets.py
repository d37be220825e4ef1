"""Warnings about sets of one exercise: too close, too far, unsafe, or rested too little. One each an exercise."""

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise

from service.rules.plans.audit_warning import Counted, PlanWarning, grouped, warning
from service.rules.plans.numbers import AllSetsFar, LightSet, PlanNumbers
from service.rules.plans.placed import Placed

SAFETY_FLOOR = "safety_floor"


def is_new(placed: Placed, below_exposures: float) -> bool:
    """Return whether the exercise is known to be new to the lifter; unknown is accustomed."""
    exposures = placed.context.exposures
    return exposures is not None and exposures < below_exposures


def new_exercise_close_to_failure(sets: Sequence[Counted], numbers: PlanNumbers) -> Iterator[PlanWarning]:
    """Yield one warning per exercise whose first session goes close to failure."""
    rule = numbers.audit.new_exercise_close_to_failure
    close = (
        (placed.exercise.id, (placed, left))
        for placed, left in sets
        if left < rule.below_reps and is_new(placed, rule.below_exposures)
    )
    for found in grouped(close).values():
        values = {
            "exercise": found[0][0].exercise.name,
            "lowest": min(left for _, left in found),
            "below_reps": mended_reps(rule.below_reps, (placed for placed, _ in found)),
        }
        yield warning("new_exercise_close_to_failure", rule, _pointers(found), values)


def under_bar_to_failure(sets: Sequence[Counted], numbers: PlanNumbers) -> Iterator[PlanWarning]:
    """Yield one warning per exercise that goes to failure under a bar nobody and nothing would catch."""
    rule = numbers.audit.under_bar_to_failure
    pinned = (
        (placed.exercise.id, (placed, left))
        for placed, left in sets
        if left < numbers.failure_below_reps
        and placed.exercise.under_bar
        and not (placed.context.spotter or placed.context.safety_arms)
    )
    for found in grouped(pinned).values():
        short = any(placed.told.rep_target <= rule.short_up_to_reps for placed, _ in found)
        keep = rule.keep_reps_short if short else rule.keep_reps
        values = {
            "exercise": found[0][0].exercise.name,
            "keep_reps": mended_reps(keep, (placed for placed, _ in found)),
        }
        yield warning("under_bar_to_failure", rule, _pointers(found), values)


def light_set_far_from_failure(sets: Sequence[Counted], numbers: PlanNumbers) -> Iterator[PlanWarning]:
    """Yield one warning per exercise and limit whose long or light sets stop too far away to count."""
    rule = numbers.audit.light_set_far_from_failure
    far = (
        ((placed.exercise.id, most, mended), (placed, left))
        for placed, left in sets
        if _is_light(placed, rule)
        and left > (mended := max(most := _most_reserve(placed, rule), _lowest(placed)))
    )
    for (_, most, mended), found in grouped(far).items():
        values = {
            "exercise": found[0][0].exercise.name,
            "highest": max(left for _, left in found),
            "above_reps": most,
            "mend_reps": mended,
        }
        yield warning("light_set_far_from_failure", rule, _pointers(found), values)


def short_rest(sets: Sequence[Counted], numbers: PlanNumbers) -> Iterator[PlanWarning]:
    """Yield one warning per exercise with too little rest before its next set."""
    rule = numbers.audit.short_rest
    hurried = (
        (placed.exercise.id, (placed, rest))
        for (placed, _), (following, _) in pairwise(sets)
        if placed.exercise_pointer == following.exercise_pointer
        and (rest := placed.told.rest_seconds) is not None
        and rest < rule.under_seconds
    )
    for found in grouped(hurried).values():
        values = {
            "exercise": found[0][0].exercise.name,
            "shortest": min(rest for _, rest in found),
            "under_seconds": rule.under_seconds,
            "mend_seconds": rule.mend_seconds,
        }
        yield warning("short_rest", rule, _pointers(found), values)


def far_from_failure(placed: Placed, left: float, rule: AllSetsFar) -> bool:
    """Return whether `left` [repetitions] is further from failure than growth or the set's own goal asks for."""
    return left > _own_distance(placed, rule.above_reps, rule)


def _own_distance(placed: Placed, reps: float, rule: LightSet | AllSetsFar) -> float:
    if placed.context.goal in rule.distant_goals and placed.target_reps is not None:
        return max(reps, placed.target_reps)
    return reps


def _most_reserve(placed: Placed, rule: LightSet) -> float:
    new = is_new(placed, rule.new_below_exposures)
    return _own_distance(placed, rule.above_reps_when_new if new else rule.above_reps, rule)


def mended_reps(least: float, sets: Iterable[Placed]) -> float:
    """Return what a mend asks of the sets [repetitions in reserve]: `least`, or more where more was prescribed."""
    return max((least, *map(_lowest, sets)))


def _lowest(placed: Placed) -> float:
    """Low end of the prescribed range [repetitions]: no mend asks for less, so none undercuts a safety floor."""
    reserve = placed.prescription.reps_in_reserve
    return 0.0 if reserve is None else reserve.low


def _is_light(placed: Placed, rule: LightSet) -> bool:
    load = placed.told.load_percent_1rm
    light = placed.told.rep_target >= rule.from_reps or (load is not None and load <= rule.up_to_percent)
    held = placed.deload or any(reason.factor == SAFETY_FLOOR for reason in placed.prescription.reasons)
    return light and not held


def _pointers(found: Sequence[Counted]) -> Iterator[str]:
    return (placed.pointer for placed, _ in found)

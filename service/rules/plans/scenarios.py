"""A whole plan done in one way: what is completed, and which exercise pays for which."""

from collections.abc import Callable, Sequence
from math import exp

from msgspec import Struct

from service.rules.capacity import mean_reps_to_failure
from service.rules.carryover.predict import PlannedSet, PredictedSet, predict
from service.rules.learning.context import strength_known
from service.rules.learning.known import MICROS_PER_SECOND
from service.rules.plans.answer import DECIMALS, CarryOverAnswer, Paid, Scenario
from service.rules.plans.basis import PlanBasis
from service.rules.plans.schedule import Slot
from service.rules.plans.start import Start
from service.rules.plans.walk import Stand

ReserveOf = Callable[[Stand], float | None]


class Trained(Struct, frozen=True, kw_only=True):
    """A set that is trained (neither cut nor withheld): its place among all sets, and what a fresh lifter can do.

    `capacity_reps` are repetitions to failure [repetitions].
    """

    place: int
    stand: Stand
    capacity_reps: float


def _capacity_reps(stand: Stand, target_reps: float, start: Start, basis: PlanBasis) -> float:
    """Repetitions to failure at the load, on the lifter's own curve where it is known; without a load, what fits."""
    slot, data = stand.slot, basis.policy.data
    load = slot.told.load_percent_1rm
    if load is None:
        return slot.told.rep_target + target_reps
    own = strength_known(slot.exercise.id, start.known, slot.at, basis.learning)
    family = data.families_by_exercise[slot.exercise.id]
    return mean_reps_to_failure(data.capacity, family, load, 1.0 if own is None else exp(own.offset))


def trained_sets(stands: Sequence[Stand], start: Start, basis: PlanBasis) -> list[Trained]:
    """Return the sets that are trained, in order."""
    return [
        Trained(
            place=place,
            stand=stand,
            capacity_reps=_capacity_reps(stand, stand.target_reps, start, basis),
        )
        for place, stand in enumerate(stands)
        if stand.target_reps is not None and not stand.slot.cut
    ]


def planned(
    trained: Sequence[Trained], reserve_of: ReserveOf, source_of: Callable[[Slot], str]
) -> list[PlannedSet]:
    """Return the sets as carry-over takes them."""
    return [
        PlannedSet(
            source=source_of(one.stand.slot),
            session_starts_at_seconds=one.stand.slot.at // MICROS_PER_SECOND,
            muscles=one.stand.slot.exercise.muscles,
            rep_target=one.stand.slot.told.rep_target,
            reps_in_reserve=reserve_of(one.stand),
            capacity_reps=one.capacity_reps,
            rest_seconds=one.stand.slot.told.rest_seconds,
        )
        for one in trained
    ]


def _paid(pointers: Sequence[str], predicted: Sequence[PredictedSet]) -> tuple[Paid, ...]:
    """Return who pays for whom; a set pays for work of other exercises in what it does not complete."""
    lost: dict[tuple[str, str], float] = {}
    muscles: dict[tuple[str, str], dict[str, None]] = {}
    for pointer, done in zip(pointers, predicted, strict=True):
        whole = sum(payment.reps_lost for payment in done.paid_by)
        if whole <= 0.0 or done.limited_by is None:
            continue
        completed_less = max(done.fresh_reps - done.predicted_reps, 0.0) / whole
        for payment in done.paid_by:
            if payment.source is not None and payment.source != pointer and completed_less > 0.0:
                key = (payment.source, pointer)
                lost[key] = lost.get(key, 0.0) + payment.reps_lost * completed_less
                muscles.setdefault(key, {})[done.limited_by] = None
    return tuple(
        Paid(from_exercise=key[0], to_exercise=key[1], muscles=tuple(muscles[key]), reps_lost=reps)
        for key, each in lost.items()
        if (reps := round(each, DECIMALS)) > 0.0
    )


def _scenario(
    trained: Sequence[Trained], reserve_of: ReserveOf, basis: PlanBasis
) -> tuple[Scenario, list[float]]:
    """Return the plan done to `reserve_of` each set, and what each completes [repetitions]."""
    predicted = predict(planned(trained, reserve_of, lambda slot: slot.exercise_pointer), basis.carryover)
    reps = [done.predicted_reps for done in predicted]
    loads = [one.stand.slot.told.load_percent_1rm for one in trained]
    known = [load for load in loads if load is not None]
    load_reps = None
    if len(known) == len(loads):
        load_reps = round(sum(each * load for each, load in zip(reps, known, strict=True)), DECIMALS)
    told = Scenario(
        total_reps=round(sum(reps), DECIMALS),
        total_load_reps=load_reps,
        paid_by=_paid([one.stand.slot.exercise_pointer for one in trained], predicted),
    )
    return told, reps


def carry_over(trained: Sequence[Trained], basis: PlanBasis) -> tuple[CarryOverAnswer, list[float]]:
    """Return the plan as prescribed, all to failure, and as proposed; and what each set completes as prescribed.

    A set without a proposal is done as prescribed. To failure a set ignores its rep target.
    """
    prescribed, reps = _scenario(trained, lambda stand: stand.target_reps, basis)
    to_failure, _ = _scenario(trained, lambda _: None, basis)
    proposed = None
    if any(one.stand.slot.told.reps_in_reserve is not None for one in trained):
        proposed, _ = _scenario(trained, lambda stand: stand.reserve_reps, basis)
    answer = CarryOverAnswer(as_prescribed=prescribed, all_to_failure=to_failure, as_proposed=proposed)
    return answer, reps

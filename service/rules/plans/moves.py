"""A plan's limits on failure: which sets stay at failure, and the others raised away from it.

Fewer sets at failure early mean a lower failure share later, which can bring a later set to failure that was not there
before. So targets and choice are found anew until no limit is broken.
"""

from collections.abc import Sequence
from typing import NamedTuple

from msgspec import structs

from service.rules.carryover.predict import predict
from service.rules.compiled import Policy
from service.rules.context import MOST_SHIFT_REPS, SetContext
from service.rules.plans.allocate import Allocation, Budget, Candidate, Move, allocate, cost_of
from service.rules.plans.answer import DECIMALS, AllocationAnswer, MovedSet
from service.rules.plans.basis import PlanBasis
from service.rules.plans.plan import PlanLimits
from service.rules.plans.scenarios import ReserveOf, Trained, planned, trained_sets
from service.rules.plans.schedule import Slot
from service.rules.plans.start import Start
from service.rules.plans.walk import Stand, walk
from service.rules.prescribe import prescribe_brief

# The last round looks at all sets that may yet come to failure, so that none is left to move after it.
MOST_ROUNDS = 6
SHIFT_STEP_REPS = 0.5


class Settled(NamedTuple):
    """The plan after its limits: sets with contexts, those trained, and what was moved (None without limits)."""

    stands: list[Stand]
    trained: list[Trained]
    allocation: AllocationAnswer | None


def _target(context: SetContext, policy: Policy) -> float | None:
    reserve = prescribe_brief(context, policy).reps_in_reserve
    return None if reserve is None else reserve.target


def _raised(stand: Stand, to_reps: float, policy: Policy) -> float:
    """Return the least shift [repetitions], in steps, that brings the set to `to_reps` with no failure before it."""
    shift = stand.context.plan_shift_reps or 0.0
    calm = structs.replace(stand.context, failure_share_7d=None)
    while shift < MOST_SHIFT_REPS:
        target = _target(structs.replace(calm, plan_shift_reps=shift), policy)
        if target is None or target >= to_reps:
            break
        shift = min(shift + SHIFT_STEP_REPS, float(MOST_SHIFT_REPS))
    return shift


def _candidates(trained: Sequence[Trained], reserve_of: ReserveOf, basis: PlanBasis) -> list[Candidate]:
    """Return the sets that end at failure with these reserves, with what they cost later sets."""
    sets = planned(trained, reserve_of, lambda slot: slot.pointer)
    costs = cost_of(sets, predict(sets, basis.carryover))
    return [
        Candidate(
            place=one.place,
            session=one.stand.slot.session,
            week=one.stand.slot.week,
            muscles=one.stand.slot.exercise.muscles,
            cost_reps=costs[at],
        )
        for at, one in enumerate(trained)
        if (sets[at].reps_in_reserve or 0.0) < basis.plans.failure_below_reps
    ]


def fractional_sets(trained: Sequence[Trained]) -> dict[tuple[int, str], float]:
    """Return counted sets by week (number) and muscle [fractional sets]."""
    found: dict[tuple[int, str], float] = {}
    for one in trained:
        slot = one.stand.slot
        for muscle, share in slot.exercise.muscles.items():
            found[slot.week, muscle] = found.get((slot.week, muscle), 0.0) + share
    return found


def _told(move: Move, cost_reps: float, stand: Stand, limits: PlanLimits, basis: PlanBasis) -> MovedSet:
    rule = basis.plans.limit
    of_session = move.muscle is None
    limit = limits.failure_sets_per_session if of_session else limits.failure_share_per_muscle_7d
    number = stand.slot.session + 1 if of_session else stand.slot.week
    muscle = "" if move.muscle is None else basis.plans.words.muscle(move.muscle)
    text = (rule.text_session if of_session else rule.text_share).format(
        limit=limit, number=number, cost_reps=cost_reps, muscle=muscle
    )
    return MovedSet(
        pointer=stand.slot.pointer,
        limit=move.limit,
        muscle=move.muscle,
        cost_reps=round(cost_reps, DECIMALS),
        text=text,
    )


class _Round(NamedTuple):
    candidates: list[Candidate]
    found: Allocation


def _round(trained: Sequence[Trained], reserve_of: ReserveOf, limits: PlanLimits, basis: PlanBasis) -> _Round:
    candidates = _candidates(trained, reserve_of, basis)
    budget = Budget(
        failure_sets_per_session=limits.failure_sets_per_session,
        failure_share_per_muscle=limits.failure_share_per_muscle_7d,
    )
    return _Round(candidates, allocate(candidates, fractional_sets(trained), budget))


def _closest(policy: Policy) -> ReserveOf:
    """Return what gives the target a set would have with no failure before it: no later round brings it closer."""
    return lambda stand: _target(structs.replace(stand.context, failure_share_7d=None), policy)


def settle(slots: Sequence[Slot], start: Start, limits: PlanLimits | None, basis: PlanBasis) -> Settled:
    """Return the plan's sets with as many at failure as its limits allow, those that cost later sets least.

    Objective, in each round: most sets at failure, then least repetitions lost by later sets, then later places (see
    `allocate`). Limits are on what is prescribed; a caller's own proposals are audited, not moved.
    """
    shifts = [slot.shift_reps for slot in slots]
    moves: dict[int, MovedSet] = {}
    optimal = True
    for left in range(MOST_ROUNDS, -1, -1):
        stands = walk(slots, shifts, start, basis)
        trained = trained_sets(stands, start, basis)
        if limits is None:
            return Settled(stands, trained, None)
        candidates, found = _round(trained, lambda stand: stand.target_reps, limits, basis)
        optimal = optimal and found.optimal
        if not found.moved:
            break
        if left == 1:
            optimal = False
            candidates, found = _round(trained, _closest(basis.policy), limits, basis)
        costs = {one.place: one.cost_reps for one in candidates}
        for move in found.moved:
            shifts[move.place] = _raised(stands[move.place], basis.plans.limit.raise_to_reps, basis.policy)
            moves[move.place] = _told(move, costs[move.place], stands[move.place], limits, basis)
    kept = tuple(stands[one.place].slot.pointer for one in candidates if one.place in found.kept)
    told = tuple(moves[place] for place in sorted(moves))
    return Settled(stands, trained, AllocationAnswer(kept=kept, moves=told, optimal=optimal))

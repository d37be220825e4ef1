"""Which sets stay at failure under a plan's limits: the best of all choices, tried one by one, all the way through."""

from collections import Counter
from fractions import Fraction
from itertools import combinations
from math import fsum

from hypothesis import assume, given, settings
from msgspec import Struct

from service.rules.carryover.predict import predict
from service.rules.plans.moves import Settled
from service.rules.plans.schedule import schedule
from service.rules.plans.start import stateless_start
from service.rules.plans.walk import walk
from tests.rules.contexts import Document, brisk
from tests.rules.plans_at_will import eager_documents
from tests.rules.whole_plans import (
    BASIS,
    FAILURE_BELOW,
    allocation,
    plan_of,
    planned,
    pointer_of,
    settled,
)

CLOSE = 1e-8  # of a share limit [sets]; a limit is kept but for rounding
MOST_TRIED = 13  # sets at failure of which every choice is tried
some = settings(brisk, max_examples=30)


class Failed(Struct, frozen=True):
    """A set that came to failure by itself: where it stands, what it trains, what later sets lose because of it."""

    place: int
    pointer: str
    session: int
    week: int
    muscles: dict[str, float]
    cost: Fraction


def costs(found: Settled) -> list[float]:
    """Return what later sets do not complete because of each [repetitions]: payments in proportion, added up anew."""
    sets = planned(found, lambda stand: stand.target_reps)
    at_of = {one.source: at for at, one in enumerate(sets)}
    lost = [0.0] * len(sets)
    for done in predict(sets, BASIS.carryover):
        capacity_lost = fsum(payment.reps_lost for payment in done.paid_by)
        for payment in done.paid_by:
            part = payment.reps_lost / capacity_lost
            lost[at_of[str(payment.source)]] += part * (done.fresh_reps - done.predicted_reps)
    return [round(one, 9) for one in lost]


def failed(found: Settled) -> list[Failed]:
    """Return the sets at failure of a plan without limits."""
    return [
        Failed(
            place=one.place,
            pointer=pointer_of(one.stand),
            session=one.stand.slot.session,
            week=one.stand.slot.week,
            muscles=one.stand.slot.exercise.muscles,
            cost=Fraction(cost),
        )
        for one, cost in zip(found.trained, costs(found), strict=True)
        if one.stand.target_reps is not None and one.stand.target_reps < FAILURE_BELOW
    ]


def totals(found: Settled) -> Counter[tuple[int, str]]:
    """Return all counted sets by week and muscle, those not at failure too."""
    sets: Counter[tuple[int, str]] = Counter()
    for one in found.trained:
        for muscle, share in one.stand.slot.exercise.muscles.items():
            sets[one.stand.slot.week, muscle] += share  # type: ignore[assignment]  # counts of halves
    return sets


def fits(kept: tuple[Failed, ...], sets: Counter[tuple[int, str]], limits: Document) -> bool:
    """Tell whether these sets may be at failure together."""
    most, share = limits.get("failure_sets_per_session"), limits.get("failure_share_per_muscle_7d")
    if most is not None and any(count > most for count in Counter(one.session for one in kept).values()):
        return False
    return share is None or all(
        fsum(one.muscles.get(muscle, 0.0) for one in kept if one.week == week) <= share * total + CLOSE
        for (week, muscle), total in sets.items()
    )


def best(candidates: list[Failed], sets: Counter[tuple[int, str]], limits: Document) -> set[str]:
    """Return the best of all choices: most sets, then least cost, then the latest places."""
    for number in range(len(candidates), 0, -1):
        fitting = [kept for kept in combinations(candidates, number) if fits(kept, sets, limits)]
        if fitting:
            chosen = max(
                fitting,
                key=lambda kept: (
                    -sum((one.cost for one in kept), Fraction(0)),
                    sorted((one.place for one in kept), reverse=True),
                ),
            )
            return {one.pointer for one in chosen}
    return set()


@some
@given(eager_documents(most_sessions=1))
def test_in_one_session_the_choice_is_the_best_of_all_choices(document: Document) -> None:
    """Nothing that happens in a session moves its own targets, so one round is all: tried against every subset."""
    free = settled({**document, "limits": None})
    candidates = failed(free)
    assume(len(candidates) <= MOST_TRIED)
    told = allocation(document)
    kept = best(candidates, totals(free), document["limits"])
    assert told.optimal
    assert set(told.kept) == kept
    assert {move.pointer for move in told.moves} == {one.pointer for one in candidates} - kept
    cost_of = {one.pointer: float(one.cost) for one in candidates}
    assert all(move.cost_reps == round(cost_of[move.pointer], 3) for move in told.moves)


@some
@given(eager_documents())
def test_over_sessions_the_first_round_is_the_best_of_all_choices(document: Document) -> None:
    """What the best choice leaves out is moved; more only where less failure then brings others close."""
    free = settled({**document, "limits": None})
    candidates = failed(free)
    assume(len(candidates) <= MOST_TRIED)
    limited = settled(document)
    assert limited.allocation is not None
    moved = {move.pointer for move in limited.allocation.moves}
    first = {one.pointer for one in candidates} - best(candidates, totals(free), document["limits"])
    assert first <= moved
    shifts = [
        (one.context.plan_shift_reps or 0.0) if pointer_of(one) in first else one.slot.shift_reps
        for one in limited.stands
    ]
    plan = plan_of(document)
    after = walk(schedule(plan, BASIS), shifts, stateless_start(plan), BASIS)
    near = {
        pointer_of(one) for one in after if one.target_reps is not None and one.target_reps < FAILURE_BELOW
    }
    if near <= {one.pointer for one in candidates}:
        assert first == moved


@some
@given(eager_documents(gaps=(200.0, 400.0)))
def test_weeks_apart_one_round_is_all(document: Document) -> None:
    """Failure counts for seven days: sessions further apart do not move each other, and the choice is the best."""
    free = settled({**document, "limits": None})
    candidates = failed(free)
    assume(len(candidates) <= MOST_TRIED)
    told = allocation(document)
    assert set(told.kept) == best(candidates, totals(free), document["limits"])
    assert len(told.kept) + len(told.moves) == len(candidates)

"""A plan's limits on failure: kept in what is prescribed, by the best choice there is, each move told and needed."""

from collections import Counter
from fractions import Fraction
from itertools import combinations
from math import fsum

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from msgspec import Struct

from service.rules.carryover.predict import predict
from service.rules.plans import moves
from service.rules.plans.answer import AllocationAnswer
from service.rules.plans.moves import Settled
from service.rules.plans.scenarios import planned, set_pointer
from service.rules.plans.start import Start, start_from_history
from tests.rules import replay
from tests.rules.contexts import POLICY, Document, brisk
from tests.rules.lifters import at, performed
from tests.rules.whole_plans import (
    BASIS,
    EAGER,
    answer,
    documents,
    eager_documents,
    history,
    placed,
    plan_of,
    pointer,
    session,
    sets_of,
    settled,
    target,
    targets,
)

FAILURE_BELOW, RAISED_TO = 0.5, 1.0  # repetitions in reserve, as the contract and the numbers of plans have it
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
    sets = planned(found.trained, lambda stand: stand.target_reps, set_pointer)
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
            pointer=set_pointer(one.stand),
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


def allocation(document: Document, start: Start | None = None) -> AllocationAnswer:
    """Return what is told of the limits."""
    found = settled(document, start).allocation
    assert found is not None
    return found


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
    """What the best choice leaves out is moved. More is moved only where less failure brought others close."""
    free = settled({**document, "limits": None})
    candidates = failed(free)
    assume(len(candidates) <= MOST_TRIED)
    limited = settled(document)
    assert limited.allocation is not None
    moved = {move.pointer for move in limited.allocation.moves}
    first = {one.pointer for one in candidates} - best(candidates, totals(free), document["limits"])
    assert first <= moved
    before = {set_pointer(one): one.target_reps for one in free.stands}
    nearer = [
        one for one in limited.stands if (one.target_reps or 0) < (before[set_pointer(one)] or 0)
    ]
    if not nearer:
        assert first == moved


def over(document: Document, start: Start | None = None) -> list[str]:
    """Return every limit the prescribed targets break, counted anew from the answer alone."""
    found = answer(document, start=start)
    weeks = [one.stand.slot.week for one in settled(document, start).trained]
    trained = [(place, one) for place, one in placed(found).items() if place in targets(found)]
    limits, broken = document.get("limits") or {}, []
    most, share = limits.get("failure_sets_per_session"), limits.get("failure_share_per_muscle_7d")
    per_session: Counter[int] = Counter()
    sets: Counter[tuple[int, str]] = Counter()
    at_failure: Counter[tuple[int, str]] = Counter()
    for week, (place, one) in zip(weeks, trained, strict=True):
        near = target(one) < FAILURE_BELOW
        per_session[place[0]] += near
        for muscle, part in POLICY.data.exercises[str(one.context_used.exercise)].muscles.items():
            sets[week, muscle] += part  # type: ignore[assignment]
            at_failure[week, muscle] += part * near  # type: ignore[assignment]
    if most is not None:
        broken += [f"session {at}: {count}" for at, count in per_session.items() if count > most]
    if share is not None:
        broken += [f"{key}: {count}" for key, count in at_failure.items() if count > share * sets[key] + CLOSE]
    return broken


@brisk
@given(documents() | eager_documents())
def test_limits_are_kept_in_what_is_prescribed(document: Document) -> None:
    """Sessions and shares, over every round; each move ends at one in reserve or more, and says why."""
    assert over(document) == []
    found = answer(document)
    assert (found.allocation is None) == (document.get("limits") is None)
    if found.allocation is not None:
        sets = {pointer(place): target(one) for place, one in placed(found).items()}
        assert all(sets[move.pointer] >= RAISED_TO for move in found.allocation.moves)
        near = {place for place, reserve in targets(found).items() if reserve < FAILURE_BELOW}
        assert set(found.allocation.kept) == set(map(pointer, near))
        assert all(0 < len(move.text) <= 140 and "{" not in move.text for move in found.allocation.moves)


@some
@given(documents(limits=False), st.sampled_from((0, 0.5)))
def test_a_limit_moves_no_set_that_is_not_over_it(document: Document, share: float) -> None:
    """Every set that is not moved keeps its shift; what moved keeps its floor. Only distance from others changes."""
    free, limited = answer(document), answer({**document, "limits": {"failure_share_per_muscle_7d": share}})
    assert limited.allocation is not None
    moved = {move.pointer for move in limited.allocation.moves}
    for (place, one), other in zip(placed(free).items(), placed(limited).values(), strict=True):
        shift, new = (each.context_used.plan_shift_reps or 0.0 for each in (one, other))
        if pointer(place) in moved:
            assert new > shift
            assert target(other) >= replay.safety_floor(document.get("lifter", {}) | {"rep_target": 50, "exercise": None})
        else:
            assert new == shift


WEEK_OF_FAILURE = [
    performed(
        at(day),
        number,
        exercise="machine_chest_fly",
        load_kg=40,
        reps=15,
        set_endpoint="momentary_failure",
    )
    for number, day in enumerate((1, 1, 3, 3), 1)
]


@pytest.mark.parametrize("most", [0, 1, 2])
@pytest.mark.parametrize("share", [None, 0.0, 0.3, 0.5])
def test_limits_hold_with_a_history_of_failure(most: int, share: float | None) -> None:
    """The earlier week counts in what is prescribed, and limits hold for the plan's own sets, whatever comes closer."""
    fly = sets_of("machine_chest_fly", 3, rep_target=15, load_percent_1rm=62, rest_seconds=90)
    document: Document = {
        "lifter": EAGER,
        "sessions": [session(fly, hours=hours) for hours in (0, 72, 168, 240)],
        "limits": {"failure_sets_per_session": most, "failure_share_per_muscle_7d": share},
    }
    start = start_from_history(plan_of(document), *history(*WEEK_OF_FAILURE, before=document))
    assert over(document, start) == []
    found = settled(document, start)
    assert found.stands[0].context.failure_share_7d == 1
    assert found.allocation is not None
    assert {move.pointer for move in found.allocation.moves}.isdisjoint(found.allocation.kept)


def test_less_failure_brings_a_later_set_close_and_that_is_moved_too() -> None:
    """Two sessions three days apart: all at failure in the first keep the second away from it; with none it is close."""
    fly = sets_of("cable_chest_fly", 3, rep_target=12, load_percent_1rm=67)
    document: Document = {"lifter": EAGER, "sessions": [session(fly), session(fly, hours=72)]}
    free = targets(answer(document))
    assert [reserve < FAILURE_BELOW for reserve in free.values()].count(True) < 6
    told = allocation({**document, "limits": {"failure_sets_per_session": 0}})
    assert {move.pointer for move in told.moves} > {pointer(at) for at, reserve in free.items() if reserve < 0.5}
    assert told.kept == ()


@pytest.mark.parametrize("rounds", [1, 2])
def test_when_rounds_run_out_limits_hold_all_the_same(monkeypatch: pytest.MonkeyPatch, rounds: int) -> None:
    """Every set that might come to failure is moved at once then; each is told, and it is not said to be optimal."""
    monkeypatch.setattr(moves, "MOST_ROUNDS", rounds)
    fly = sets_of("cable_chest_fly", 3, rep_target=12, load_percent_1rm=67)
    document: Document = {
        "lifter": EAGER,
        "sessions": [session(fly, hours=hours) for hours in (0, 72, 144, 216)],
        "limits": {"failure_sets_per_session": 1},
    }
    assert over(document) == []
    told = allocation(document)
    shifted = {set_pointer(one) for one in settled(document).stands if one.context.plan_shift_reps}
    assert shifted == {move.pointer for move in told.moves}

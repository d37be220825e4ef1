"""A plan's limits on failure are kept in what is prescribed, whatever comes closer; each move is told and needed."""

from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.rules.plans import moves
from service.rules.plans.start import Start, start_from_history
from tests.rules import replay
from tests.rules.contexts import POLICY, Document, brisk
from tests.rules.lifters import at, performed
from tests.rules.plans_at_will import documents, eager_documents
from tests.rules.whole_plans import (
    EAGER,
    FAILURE_BELOW,
    allocation,
    answer,
    history,
    placed,
    plan_of,
    pointer,
    pointer_of,
    session,
    sets_of,
    settled,
    target,
    targets,
)

RAISED_TO = 1.0  # repetitions in reserve a moved set ends with at least (numbers of plans)
CLOSE = 1e-8  # of a share limit [sets]; a limit is kept but for rounding
some = settings(brisk, max_examples=30)


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
        broken += [
            f"{key}: {count}" for key, count in at_failure.items() if count > share * sets[key] + CLOSE
        ]
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
            assert target(other) >= replay.safety_floor(
                document.get("lifter", {}) | {"rep_target": 50, "exercise": None}
            )
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
    """Two sessions three days apart: failure in the first keeps the second away from it; without, it is close."""
    fly = sets_of("cable_chest_fly", 3, rep_target=12, load_percent_1rm=67)
    document: Document = {"lifter": EAGER, "sessions": [session(fly), session(fly, hours=72)]}
    free = targets(answer(document))
    assert [reserve < FAILURE_BELOW for reserve in free.values()].count(True) < 6
    told = allocation({**document, "limits": {"failure_sets_per_session": 0}})
    assert {move.pointer for move in told.moves} > {
        pointer(at) for at, reserve in free.items() if reserve < 0.5
    }
    assert told.kept == ()


def block_of_a_muscle_every_two_days(sessions: int) -> Document:
    """Return weeks of the same two lifts, of which less failure keeps bringing other sets close."""
    days = (
        (sets_of("cable_triceps_pushdown", 4, rep_target=15), sets_of("leg_extension", 3, rep_target=8)),
        (sets_of("cable_triceps_pushdown", 3, rep_target=12), sets_of("leg_extension", 3, rep_target=12)),
        (sets_of("cable_triceps_pushdown", 2, rep_target=8), sets_of("leg_extension", 3, rep_target=15)),
    )
    return {
        "lifter": EAGER,
        "sessions": [session(*days[at % 3], hours=48 * at) for at in range(sessions)],
        "limits": {"failure_share_per_muscle_7d": 0.2},
    }


@pytest.mark.parametrize("sessions", [6, 13, 24])
def test_a_long_chain_of_rounds_ends_with_limits_kept_and_every_shift_told(sessions: int) -> None:
    """Up to eight weeks: what the last round shifts at once is told like the rest, and it is not called optimal."""
    document = block_of_a_muscle_every_two_days(sessions)
    assert over(document) == []
    told = allocation(document)
    shifted = {pointer_of(one) for one in settled(document).stands if one.context.plan_shift_reps}
    assert shifted == {move.pointer for move in told.moves}
    assert told.optimal == (sessions < 18)


@some
@given(eager_documents(most_sessions=6), st.integers(1, 3))
def test_however_few_rounds_there_are_limits_hold_and_every_shift_is_told(
    document: Document, rounds: int
) -> None:
    """As with the number of rounds in use, which few plans of this size reach."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(moves, "MOST_ROUNDS", rounds)
        assert over(document) == []
        told = allocation(document)
        stands = settled(document).stands
    assert {pointer_of(one) for one in stands if one.context.plan_shift_reps} == {
        move.pointer for move in told.moves
    }
    near = {
        pointer_of(one) for one in stands if one.target_reps is not None and one.target_reps < FAILURE_BELOW
    }
    assert set(told.kept) == near


def test_a_share_is_of_counted_sets_indirect_ones_half() -> None:
    """Four presses count two for the triceps, two pushdowns two: of these four a third is one, not two."""
    press = sets_of("machine_chest_press", 4, rep_target=10, load_percent_1rm=72)
    pushdown = sets_of("cable_triceps_pushdown", 2, rep_target=20, load_percent_1rm=55)
    document: Document = {"lifter": EAGER, "sessions": [session(press, pushdown)]}
    free = answer(document)
    assert [reserve for place, reserve in targets(free).items() if place[1] == 1] == [0.0, 0.0]
    triceps = next(muscle for muscle in free.weeks[0].muscles if muscle.muscle == "triceps_brachii")
    assert (triceps.fractional_sets, triceps.failure_share) == (4.0, 0.5)
    limited = {**document, "limits": {"failure_share_per_muscle_7d": 1 / 3}}
    told = allocation(limited)
    assert told.kept == ("/sessions/0/exercises/1/sets/1",)
    (move,) = told.moves
    assert (move.pointer, move.muscle) == ("/sessions/0/exercises/1/sets/0", "triceps_brachii")
    assert move.text.startswith("At most 33% of triceps brachii sets at failure in week 1")
    (moved,) = (one for place, one in placed(answer(limited)).items() if pointer(place) == move.pointer)
    assert moved.context_used.plan_shift_reps is not None

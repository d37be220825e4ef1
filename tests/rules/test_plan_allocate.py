"""Which sets stay at failure: checked against every possible choice, and laws that hold whatever the plan."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from service.rules.plans.allocate import Allocation, Move, allocate
from tests.rules.allocations import (
    Case,
    best,
    budget,
    candidate,
    cases,
    cheapest_first,
    crowded,
    fits,
    guarantee,
    halves,
    kept_of,
    objective,
)
from tests.rules.contexts import steady, thorough

SESSION, SHARE = "failure_sets_per_session", "failure_share_per_muscle_7d"


@thorough
@given(cases() | crowded)
def test_the_choice_is_the_best_of_all_choices(case: Case) -> None:
    """Number, then cost, then later places: checked against every subset; so small a plan is always solved."""
    answer = case.solved()
    assert answer.optimal
    assert answer.kept == best(case)


@steady
@given(cases(st.floats(0.01, 1)))
def test_the_choice_is_the_best_also_for_shares_of_any_size(case: Case) -> None:
    """Shares that are no halves: the objective equals that of the best of all choices."""
    answer = case.solved()
    assert answer.optimal
    assert answer.kept == best(case)


@thorough
@given(crowded | cases(halves | st.floats(0.1, 1)), st.integers(0, 40))
def test_a_search_cut_short_keeps_the_limits_and_what_is_promised(case: Case, most_branches: int) -> None:
    """Never worse than cheapest first, nothing more fits, at least 1/D of the greatest number, honest flag."""
    answer = case.solved(most_branches)
    kept, greatest = kept_of(case, answer), best(case)
    assert fits(case, kept)
    assert objective(kept)[:2] >= objective(cheapest_first(case))[:2]
    assert not any(fits(case, [*kept, one]) for one in case.candidates if one.place not in answer.kept)
    assert len(kept) * guarantee(case) >= len(greatest)
    assert not answer.optimal or answer.kept == greatest


def test_the_promised_part_of_the_greatest_number_is_reached() -> None:
    """No better bound holds for a search cut at once: one direct set bars two indirect ones, D = 2."""
    direct = candidate(0)
    indirect = [candidate(place, muscles={"a": 0.5}, cost_reps=1.0) for place in (1, 2)]
    case = Case((direct, *indirect), {(1, "a"): 2.0}, budget(share=0.5))
    assert case.solved(0).kept == {0}
    assert not case.solved(0).optimal
    assert case.solved().kept == {1, 2}
    assert guarantee(case) == 2


def test_a_search_cut_short_leaves_no_room_unused() -> None:
    """The cheapest two sets found leave room for a third, which stays too; the best choice holds another."""
    muscles = (
        {"a": 0.5, "b": 1.0, "c": 1.0},
        {"a": 0.5},
        {"c": 0.5},
        {"a": 0.5, "b": 1.0, "c": 0.5},
        {"a": 1.0, "b": 0.5, "c": 1.0},
    )
    sets = tuple(
        candidate(place, session=session, muscles=muscles[place], cost_reps=cost)
        for place, (session, cost) in enumerate(((1, 6.0), (1, 2.0), (2, 0.0), (1, 7.0), (0, 0.0)))
    )
    case = Case(sets, {(1, "a"): 2.5, (1, "b"): 2.5, (1, "c"): 3.0}, budget(2, 0.4))
    for most_branches in range(20):
        kept = kept_of(case, case.solved(most_branches))
        assert not any(fits(case, [*kept, one]) for one in sets if one not in kept)
    assert case.solved().kept == best(case)


@steady
@given(cases(), st.integers(0, 4))
def test_with_the_session_limit_alone_cheapest_first_is_exact_without_a_search(case: Case, most: int) -> None:
    """At most N from each session is a partition matroid."""
    case = Case(case.candidates, case.totals, budget(per_session=most))
    answer = case.solved(0)
    assert answer.optimal
    assert answer.kept == {one.place for one in cheapest_first(case)} == best(case)


@steady
@given(cases())
def test_without_limits_all_stay(case: Case) -> None:
    """An empty budget moves nothing."""
    answer = allocate(case.candidates, {}, budget())
    assert answer == Allocation(kept=frozenset(one.place for one in case.candidates), moved=(), optimal=True)


@steady
@given(cases() | crowded, st.integers(0, 3), st.floats(0, 1))
def test_more_room_never_lowers_the_number_kept(case: Case, sets: int, share: float) -> None:
    """Each limit grows or goes; the number grows or stays."""
    number = len(case.solved().kept)
    most, part = case.budget.failure_sets_per_session, case.budget.failure_share_per_muscle
    wider = [
        budget(None if most is None else most + sets, None if part is None else max(part, share)),
        budget(most, None),
        budget(None, part),
    ]
    assert all(len(Case(case.candidates, case.totals, more).solved().kept) >= number for more in wider)


@steady
@given(cases(), st.sampled_from((2.0, 8.0, 1024.0)))
def test_costs_in_another_unit_change_nothing(case: Case, factor: float) -> None:
    """All costs times a positive factor; powers of two, by which floating point multiplies exactly."""
    scaled = tuple(replace(one, cost_reps=one.cost_reps * factor) for one in case.candidates)
    assert Case(scaled, case.totals, case.budget).solved() == case.solved()


@steady
@given(cases(), st.data())
def test_the_order_of_candidates_changes_nothing(case: Case, data: st.DataObject) -> None:
    """What stays, and why each of the others does not, depends on the sets alone."""
    shuffled = tuple(data.draw(st.permutations(case.candidates)))
    answer, other = case.solved(), Case(shuffled, case.totals, case.budget).solved()
    assert other.kept == answer.kept
    assert set(other.moved) == set(answer.moved)


@steady
@given(cases())
def test_weeks_are_independent(case: Case) -> None:
    """Both weeks together give what each gives alone."""
    alone = [
        Case(tuple(one for one in case.candidates if one.week == week), case.totals, case.budget).solved()
        for week in (1, 2)
    ]
    assert case.solved().kept == alone[0].kept | alone[1].kept


@steady
@given(cases())
def test_every_set_moved_would_break_the_limit_named_for_it(case: Case) -> None:
    """Each candidate is kept or moved; with the named limit alone in force it does not fit beside those kept."""
    answer = case.solved()
    kept, by_place = kept_of(case, answer), {one.place: one for one in case.candidates}
    assert [move.place for move in answer.moved] == [
        one.place for one in case.candidates if one.place not in answer.kept
    ]
    for move in answer.moved:
        one = by_place[move.place]
        if move.limit == SESSION:
            alone = Case(case.candidates, case.totals, replace(case.budget, failure_share_per_muscle=None))
        else:
            key = (one.week, str(move.muscle))
            alone = Case(
                case.candidates,
                {key: case.totals[key]},
                replace(case.budget, failure_sets_per_session=None),
            )
        assert not fits(alone, [*kept, one])


def test_a_cheap_set_gives_way_where_two_others_fit_in_its_stead() -> None:
    """The number goes first: two isolation sets rather than one press that trains both muscles."""
    press = candidate(0, muscles={"chest": 1.0, "triceps": 1.0})
    flye, extension = (
        candidate(place, muscles={muscle: 1.0}, cost_reps=2.0)
        for place, muscle in ((1, "chest"), (2, "triceps"))
    )
    totals = {(1, "chest"): 4.0, (1, "triceps"): 4.0}
    answer = allocate((press, flye, extension), totals, budget(share=0.25))
    assert answer.kept == {1, 2}
    assert answer.moved == (Move(place=0, limit=SHARE, muscle="chest"),)


def test_of_equal_sets_the_later_ones_stay() -> None:
    """Four sets that cost the same, room for two."""
    answer = allocate([candidate(place, cost_reps=0.1) for place in (7, 3, 9, 5)], {}, budget(per_session=2))
    assert answer.kept == {7, 9}
    assert answer.moved == (Move(place=3, limit=SESSION), Move(place=5, limit=SESSION))


@pytest.mark.parametrize(
    ("share", "total", "weight", "number"),
    [(0.3, 10, 1.0, 3), (0.1, 3, 0.1, 3), (0.7, 10, 0.5, 14), (0.29, 100, 1.0, 29), (1 / 3, 9, 1.0, 3)],
)
def test_a_share_holds_as_many_sets_as_on_paper(
    share: float, total: float, weight: float, number: int
) -> None:
    """Rounding of floating point costs no set: 0.29 x 100 is 28.999999999999996 there."""
    sets = [candidate(place, muscles={"a": weight}) for place in range(number + 5)]
    assert len(allocate(sets, {(1, "a"): total}, budget(share=share)).kept) == number


def test_a_share_of_nothing_moves_all_sets_of_the_muscle_and_no_other() -> None:
    """A set without muscles, or with a share of 0, comes under no share."""
    sets = [candidate(0), candidate(1, muscles={}), candidate(2, muscles={"b": 0.0})]
    answer = allocate(sets, {(1, "a"): 12.0}, budget(share=0.0))
    assert answer.kept == {1, 2}
    assert answer.moved == (Move(place=0, limit=SHARE, muscle="a"),)


def test_a_muscle_without_sets_in_its_week_is_refused() -> None:
    """A set at failure is itself one of the muscle's sets."""
    with pytest.raises(KeyError):
        allocate([candidate(0)], {(2, "a"): 4.0}, budget(share=0.5))


WEEK = ({"a": 1.0, "b": 0.5}, {"b": 1.0, "c": 0.5}, {"c": 1.0, "a": 0.5}, {"a": 1.0}, {"b": 1.0}, {"c": 1.0})


def big(sessions: int, sets: int) -> Case:
    """Return one week of sessions all at failure, six exercises each, costs falling within the session."""
    candidates = tuple(
        candidate(place, session=session, muscles=muscles, cost_reps=(7 * place % 31 + 6 - exercise) / 8)
        for place, (session, exercise, muscles) in enumerate(
            (session, exercise, muscles)
            for session in range(sessions)
            for exercise, muscles in enumerate(WEEK)
            for _ in range(sets)
        )
    )
    totals = {(1, muscle): sessions * sets * 2.5 for muscle in "abc"}
    return Case(candidates, totals, budget(per_session=sets * 2, share=0.3))


@pytest.mark.parametrize(("sessions", "sets"), [(4, 3), (50, 10)])
def test_a_large_week_is_answered_within_the_limit_of_branches(sessions: int, sets: int) -> None:
    """72 and 3,000 sets: the limits hold, and the choice is no worse than cheapest first."""
    case = big(sessions, sets)
    answer = case.solved(1000)
    kept = kept_of(case, answer)
    assert fits(case, kept)
    assert objective(kept)[:2] >= objective(cheapest_first(case))[:2]

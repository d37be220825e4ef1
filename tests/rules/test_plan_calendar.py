"""A block in weeks: the shift its progression asks for, deloads and what they cut."""

from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.rules.plans.answer import PrescribedPlan
from tests.rules.contexts import POLICY, Document, brisk
from tests.rules.plans_at_will import documents, sets_at_will
from tests.rules.whole_plans import (
    EAGER,
    FAILURE_BELOW,
    answer,
    contexts,
    factors,
    placed,
    session,
    sets_of,
    target,
)

PRESS = sets_of("machine_chest_press", 1)
WEEK = 168.0


def shifts(found: PrescribedPlan) -> list[float | None]:
    """Return the plan's shift of every set [repetitions]."""
    return [context.plan_shift_reps for context in contexts(found)]


def starting(*starts: str, exercise: Document = PRESS, **plan: Any) -> PrescribedPlan:
    """Return the answer to a plan of one exercise a session, at these instants."""
    days = [{"starts_at": start, "exercises": [exercise]} for start in starts]
    return answer({"sessions": days, **plan})


def in_weeks(*weeks: int, **progression: Any) -> PrescribedPlan:
    """Return the answer to a block with one session in each of these weeks (1 = the first)."""
    days = [session(PRESS, hours=(week - 1) * WEEK) for week in weeks]
    return answer({"sessions": days, "progression": progression})


def test_the_shift_is_a_straight_line_by_week_and_then_held() -> None:
    """From two further away to two closer in five weeks; a week without a session counts as a week."""
    block = in_weeks(1, 2, 3, 5, 6, 9, weeks=5, start_shift_reps=2, end_shift_reps=-2)
    assert shifts(block) == [2.0, 1.0, None, -2.0, -2.0, -2.0]
    told = [factors(one).get("plan_shift") for one in placed(block).values()]
    assert told == shifts(block)


@brisk
@given(st.integers(1, 52), st.floats(-3, 3), st.floats(-3, 3), st.integers(1, 60))
def test_the_shift_of_any_week_lies_on_the_line(weeks: int, start: float, end: float, week: int) -> None:
    """To the nearest sixteenth, in which effects are told; no shift is sent as none."""
    block = in_weeks(1, week + 1, weeks=weeks, start_shift_reps=start, end_shift_reps=end)
    first, later = (shift or 0.0 for shift in shifts(block))
    assert first == pytest.approx(start, abs=1 / 32)
    assert later == pytest.approx(start + (end - start) * min(week / max(weeks - 1, 1), 1), abs=1 / 32 + 1e-9)
    assert (first * 16).is_integer()


def test_a_block_of_one_week_holds_its_end_from_the_second_week_on() -> None:
    """No line between: the start in the first week, the end after it, as in every block that is over."""
    assert shifts(in_weeks(1, 2, 4, weeks=1, start_shift_reps=1, end_shift_reps=-1)) == [1.0, -1.0, -1.0]


def test_a_shift_left_out_is_none() -> None:
    """From nothing in the first week to a rep closer in the third."""
    assert shifts(in_weeks(1, 2, 3, weeks=3, end_shift_reps=-1)) == [None, -0.5, -1.0]


def test_all_sets_of_a_week_share_its_shift() -> None:
    """Two sessions a week, two exercises each."""
    days = [session(PRESS, sets_of("leg_press", 2), hours=hours) for hours in (0, 72, WEEK, WEEK + 72)]
    block = answer(
        {"sessions": days, "progression": {"weeks": 2, "start_shift_reps": 1, "end_shift_reps": -1}}
    )
    assert shifts(block) == [1.0] * 6 + [-1.0] * 6


def test_weeks_are_those_of_the_sessions_own_offset() -> None:
    """Sunday late and Monday early, an hour apart; in another offset the same two instants are one Monday."""
    progression = {"weeks": 2, "start_shift_reps": 1, "end_shift_reps": -1}
    apart = starting("2027-01-10T23:30:00+01:00", "2027-01-11T00:30:00+01:00", progression=progression)
    assert shifts(apart) == [1.0, -1.0]
    assert [week.starts_on for week in apart.weeks] == ["2027-01-04", "2027-01-11"]
    together = starting("2027-01-11T04:00:00+05:30", "2027-01-11T05:00:00+05:30", progression=progression)
    assert shifts(together) == [1.0, 1.0]
    assert [week.starts_on for week in together.weeks] == ["2027-01-11"]


def test_weeks_are_counted_across_the_year_end() -> None:
    """2026 has a week 53: Thursday and the Saturday of the new year are one week, Monday the next, 2028 far on."""
    progression = {"weeks": 3, "start_shift_reps": 1, "end_shift_reps": -1}
    block = starting(
        "2026-12-31T18:00:00+01:00",
        "2027-01-02T18:00:00+01:00",
        "2027-01-04T18:00:00+01:00",
        "2027-01-11T00:00:00+01:00",
        "2028-01-03T00:00:00Z",
        progression=progression,
    )
    assert shifts(block) == [1.0, 1.0, None, -1.0, -1.0]
    assert [week.starts_on for week in block.weeks][:3] == ["2026-12-28", "2027-01-04", "2027-01-11"]


def test_a_traveller_never_goes_back_a_week() -> None:
    """Monday in the east, then on the same day a Sunday in the west: still the first week; and so is the next."""
    progression = {"weeks": 2, "start_shift_reps": 1, "end_shift_reps": -1}
    block = starting(
        "2027-01-11T08:00:00+14:00",
        "2027-01-10T20:00:00-12:00",
        "2027-01-11T20:00:00-12:00",
        "2027-01-18T08:00:00+14:00",
        "2027-01-17T20:00:00-12:00",
        progression=progression,
    )
    assert shifts(block) == [1.0, 1.0, 1.0, -1.0, -1.0]


def test_a_deload_week_shifts_nothing_and_eases_off() -> None:
    """Week 3 of 4: its sessions say deload to the policy, others say none; the line goes on after it."""
    block = in_weeks(1, 2, 3, 4, weeks=4, start_shift_reps=1.5, end_shift_reps=-1.5, deload_weeks=[3])
    assert shifts(block) == [1.5, 0.5, None, -1.5]
    assert [context.deload for context in contexts(block)] == [False, False, True, False]
    assert [factors(one).get("deload") for one in placed(block).values()] == [None, None, 2.0, None]


def test_what_a_session_says_of_its_deload_stands() -> None:
    """`false` in a deload week: nothing is cut and the set is as hard as ever, without a shift; `true` at any time."""
    days = [
        session(sets_of("leg_press", 4), deload=told, hours=week * WEEK)
        for week, told in enumerate((True, None, False, None))
    ]
    progression = {"weeks": 4, "start_shift_reps": 1, "end_shift_reps": 1, "deload_weeks": [3, 4]}
    block = answer({"sessions": days, "progression": progression})
    by_session = [contexts(block)[at * 4] for at in range(4)]
    assert [context.deload for context in by_session] == [True, False, False, True]
    assert [context.plan_shift_reps for context in by_session] == [None, 1.0, None, None]
    cut = [sum(one.cut for place, one in placed(block).items() if place[0] == at) for at in range(4)]
    assert cut == [2, 0, 0, 2]


def test_without_a_progression_a_session_says_for_itself() -> None:
    """Nothing said is nothing sent."""
    days = [session(PRESS, hours=at * WEEK, **told) for at, told in enumerate(({}, {"deload": True}))]
    assert [context.deload for context in contexts(answer({"sessions": days}))] == [None, True]


@pytest.mark.parametrize(("sets", "kept"), [(1, 1), (2, 1), (3, 2), (4, 2), (5, 3), (6, 3), (30, 15)])
def test_a_deload_keeps_half_of_the_sets_rounded_up_and_at_least_one(sets: int, kept: int) -> None:
    """The others stay in place, marked, with a prescription but nothing predicted."""
    found = answer({"sessions": [session(sets_of("leg_press", sets), deload=True)]})
    assert [one.cut for one in placed(found).values()] == [False] * kept + [True] * (sets - kept)
    assert [one.predicted_reps is None for one in placed(found).values()] == [False] * kept + [True] * (
        sets - kept
    )
    quadriceps = next(muscle for muscle in found.weeks[0].muscles if muscle.muscle == "quadriceps")
    assert quadriceps.fractional_sets == kept
    assert placed(found)[0, 0, kept - 1].context_used.sets_in_exercise == kept
    assert placed(found)[0, 0, 0].context_used.later_overlapping_sets == kept - 1


@brisk
@given(documents(), st.data())
def test_what_is_cut_counts_for_nothing(document: Document, data: st.DataObject) -> None:
    """Other repetitions, loads and proposals in the cut sets: all else is answered the same.

    Totals, weeks, later overlaps, failure shares, exposures, warnings, moves: they are in what is compared.
    """
    for day in document["sessions"]:
        day["deload"] = data.draw(st.sampled_from((True, True, None)))
    before = answer(document)
    days = [
        {
            **day,
            "exercises": [
                {
                    **each,
                    "sets": [
                        data.draw(sets_at_will()) if placed(before)[at, place, n].cut else one
                        for n, one in enumerate(each["sets"])
                    ],
                }
                for place, each in enumerate(day["exercises"])
            ],
        }
        for at, day in enumerate(document["sessions"])
    ]
    after = answer({**document, "sessions": days})
    for one, other in zip(placed(before).values(), placed(after).values(), strict=True):
        assert one == other or (one.cut and other.cut)
    assert (after.carryover.as_prescribed, after.carryover.all_to_failure) == (
        before.carryover.as_prescribed,
        before.carryover.all_to_failure,
    )
    assert after.weeks == before.weeks
    assert after.allocation == before.allocation
    assert after.warnings == before.warnings
    assert after.assumptions == before.assumptions


def test_a_cut_set_less_leaves_the_rest_as_it_is() -> None:
    """Of four sets in a deload two stay, of three as well: the rest of the plan cannot tell."""

    def eased(sets: int) -> PrescribedPlan:
        fly = sets_of("cable_chest_fly", sets, rep_target=15, reps_in_reserve=0, load_percent_1rm=62)
        return answer(
            {"lifter": EAGER, "sessions": [session(fly, PRESS, deload=True), session(PRESS, hours=50)]}
        )

    four, three = eased(4), eased(3)
    assert four.carryover == three.carryover
    assert four.weeks == three.weeks
    left = {place: one for place, one in placed(four).items() if place != (0, 0, 3)}
    left.pop((0, 0, 2))
    assert left == {place: one for place, one in placed(three).items() if place != (0, 0, 2)}


@brisk
@given(documents())
def test_weeks_count_what_is_trained_and_what_of_it_is_planned_to_fail(document: Document) -> None:
    """Counted anew: shares of every set that is not cut; failure below half a rep, proposed if given, else target.

    All weeks have one offset here, so that a session's Monday is its week.
    """
    for day in document["sessions"]:
        day["starts_at"] = datetime.fromisoformat(day["starts_at"]).astimezone(UTC).isoformat()
    found = answer(document)
    sets: Counter[tuple[str, str]] = Counter()
    failed: Counter[tuple[str, str]] = Counter()
    for (at, place, n), one in placed(found).items():
        day = document["sessions"][at]
        start = datetime.fromisoformat(day["starts_at"])
        monday = (start - timedelta(days=start.weekday())).date().isoformat()
        reserve = day["exercises"][place]["sets"][n].get("reps_in_reserve")
        near = (target(one) if reserve is None else reserve) < FAILURE_BELOW
        for muscle, share in POLICY.data.exercises[str(one.context_used.exercise)].muscles.items():
            if not one.cut:
                sets[monday, muscle] += share  # type: ignore[assignment]
                failed[monday, muscle] += share * near  # type: ignore[assignment]
    told = {(week.starts_on, each.muscle): each for week in found.weeks for each in week.muscles}
    assert {key: each.fractional_sets for key, each in told.items()} == sets
    for key, each in told.items():
        assert each.failure_share == pytest.approx(failed[key] / sets[key], abs=0.0005)

"""What an experienced coach finds in sets and sessions: what fires, what does not, and where the edge lies."""

from typing import Any

import pytest
from msgspec.structs import replace

from tests.rules.placed_sets import audited, one, pointers, series, the, warnings

NEW, UNDER_BAR = "new_exercise_close_to_failure", "under_bar_to_failure"
EARLY, LIGHT = "early_failure_before_overlap", "light_set_far_from_failure"


@pytest.mark.parametrize(
    ("exposures", "reserve", "fires"),
    [(0, 1.99, True), (0, 2, False), (0.99, 0, True), (1, 0, False), (None, 0, False)],
)
def test_a_new_exercise_next_to_failure_is_told(exposures: float | None, reserve: float, fires: bool) -> None:
    """New is fewer than one session; unknown counts as accustomed; 2 in reserve is far enough."""
    assert bool(warnings([one("leg_press", reserve, exposures=exposures)], NEW)) is fires


def test_a_new_exercise_is_one_warning_that_points_at_its_close_sets() -> None:
    """The set that stays away is not pointed at."""
    found = the(series("leg_press", 3, 1, 0.5, exposures=0), NEW)
    assert found.pointers == ("/sessions/0/exercises/0/sets/1", "/sessions/0/exercises/0/sets/2")
    assert "as little as 0.5" in found.text
    assert "2 or more" in found.mend


@pytest.mark.parametrize(("reserve", "fires"), [(0, True), (0.49, True), (0.5, False), (1, False)])
def test_failure_before_another_exercise_for_the_same_muscles_is_told(reserve: float, fires: bool) -> None:
    """0.5 in reserve is not failure."""
    plan = [*series("barbell_bench_press", 2, reserve, safety_arms=True), *series("push_up", 2, place=1)]
    found = pointers(plan, EARLY)
    assert found == (["/sessions/0/exercises/0/sets/1"] if fires else [])


def test_early_failure_names_the_last_exercise_it_takes_from() -> None:
    """Moving it after the first of two would leave the second to suffer."""
    plan = [
        *series("leg_press", 0),
        *series("leg_extension", 2, place=1),
        *series("barbell_back_squat", 2, place=2),
    ]
    found = the(plan, EARLY)
    assert "Leg press goes to failure before Barbell back squat" in found.text
    assert found.mend == "End these sets with 1 in reserve, or do Leg press after Barbell back squat."


def test_failure_costs_nothing_in_other_muscles_earlier_exercises_other_sessions_or_itself() -> None:
    """Each of these shares the session or the muscle, never both."""
    for plan in (
        [*series("leg_press", 0), *series("push_up", 2, place=1)],
        [*series("leg_extension", 2), *series("leg_press", 0, place=1)],
        [*series("leg_press", 0), *series("leg_extension", 2, session=1, hours=72)],
        [*series("leg_press", 0, 2), *series("leg_press", 2, place=1)],
    ):
        assert not warnings(plan, EARLY)


@pytest.mark.parametrize(
    ("exercise", "reserve", "caught_by", "fires"),
    [
        ("barbell_bench_press", 0.49, {}, True),
        ("barbell_bench_press", 0.5, {}, False),
        ("barbell_bench_press", 0, {"spotter": False, "safety_arms": False}, True),
        ("barbell_bench_press", 0, {"spotter": True}, False),
        ("barbell_bench_press", 0, {"safety_arms": True}, False),
        ("leg_press", 0, {}, False),
    ],
)
def test_failure_under_a_bar_nobody_would_catch_is_critical(
    exercise: str, reserve: float, caught_by: dict[str, Any], fires: bool
) -> None:
    """Deaths cluster under the bar without a spotter (Lombardi and Troxel 2003); unknown help is none."""
    found = warnings([one(exercise, reserve, **caught_by)], UNDER_BAR)
    assert [warning.severity for warning in found] == (["critical"] if fires else [])


@pytest.mark.parametrize(("reps", "keep"), [(6, 3), (7, 2)])
def test_the_mend_under_a_bar_is_the_safety_floor(reps: int, keep: int) -> None:
    """Three in short sets, which are over-predicted; two otherwise (judgement)."""
    found = the([one("barbell_bench_press", 0, reps=reps)], UNDER_BAR)
    assert f"leave {keep} or more in reserve" in found.mend


@pytest.mark.parametrize(
    ("reps", "load", "reserve", "fires"),
    [
        (13, None, 2.01, True),
        (13, None, 2, False),
        (12, None, 10, False),
        (8, 50, 3, True),
        (8, 50.1, 3, False),
        # Lasevicius 2022, doi 10.1519/JSC.0000000000003454: 30 % of 1RM about 15 short grew 2.8 against 7.8 %,
        # 80 % about 6 short 7.7 against 8.1 %. The scale ends at 10 in reserve.
        (20, 30, 10, True),
        (7, 80, 6, False),
    ],
)
def test_a_light_or_long_set_far_from_failure_is_told(
    reps: int, load: float | None, reserve: float, fires: bool
) -> None:
    """Heavy sets a few short are free, light sets far short are not."""
    assert bool(warnings([one(reps=reps, load=load, reserve=reserve)], LIGHT)) is fires


def test_a_deload_or_a_safety_floor_keeps_a_light_set_away() -> None:
    """Who is held back for safety, or on purpose, is not sent closer."""
    assert not warnings([one(reps=15, reserve=4, deload=True)], LIGHT)
    assert not warnings([one(reps=15, reserve=4, cautions=("pregnancy",))], LIGHT)
    assert warnings([one(reps=15, reserve=4)], LIGHT)


def test_a_mend_never_asks_for_less_than_the_prescribed_range() -> None:
    """A light set of a lifter with a floor of 3 that no reason names, since other reasons keep as far away."""
    careful = one(
        reserve=5,
        load=45,
        experience="novice",
        failure_share_7d=1,
        later_overlapping_sets=6,
        hours_since_muscle_trained=24,
        cautions=("pregnancy",),
    )
    assert not [reason for reason in careful.prescription.reasons if reason.factor == "safety_floor"]
    found = the([careful], LIGHT)
    assert "beyond 2 " in found.text
    assert found.mend.startswith("End these sets with 3 in reserve or fewer")
    assert not warnings([replace(careful, reserve_reps=3.0)], LIGHT)


def test_no_mend_sends_closer_than_the_prescribed_range() -> None:
    """Pregnant, floor 3: each warning of a press to failure asks for 3, also where its own number is 1 or 2."""
    careful: dict[str, Any] = {"cautions": ("pregnancy",), "exposures": 0}
    press = series("barbell_bench_press", 0, 0, **careful)
    low = press[0].prescription.reps_in_reserve
    assert low is not None
    assert low.low == 3
    plan = [*press, *series("push_up", 4, place=1, **careful)]
    mends = [the(plan, code).mend for code in (NEW, EARLY, UNDER_BAR)]
    assert mends[0].startswith("Leave 3 or more in reserve")
    assert mends[1].startswith("End these sets with 3 in reserve")
    assert "leave 3 or more in reserve" in mends[2]


def test_a_new_exercise_and_a_goal_of_strength_may_stay_where_the_prescription_puts_them() -> None:
    """The window of a new exercise is one wider; strength and power have distances of their own."""
    assert not warnings([one(reps=15, reserve=3, exposures=0)], LIGHT)
    assert warnings([one(reps=15, reserve=3.5, exposures=0)], LIGHT)
    strong = one(reps=15, reserve=None, goal="strength", experience="novice")
    assert strong.target_reps == 2.5
    for reserve, fires in ((2.5, False), (3, True)):
        assert (
            bool(warnings([one(reps=15, reserve=reserve, goal="strength", experience="novice")], LIGHT))
            is fires
        )


@pytest.mark.parametrize(("rest", "fires"), [(0, True), (59.9, True), (60, False), (None, False)])
def test_short_rest_between_sets_is_told(rest: float | None, fires: bool) -> None:
    """Rest above 60-90 s is enough (Singer 2024, doi 10.3389/fspor.2024.1429789); unknown rest is none of ours."""
    assert bool(warnings(series("leg_press", 2, 2, rest=rest), "short_rest")) is fires


def test_rest_after_an_exercises_last_set_is_not_between_sets() -> None:
    """Nor is the rest before another exercise, nor before a set that is cut."""
    plan = [*series("leg_press", 2, 2, rest=30), *series("push_up", 2, place=1, rest=30)]
    assert pointers(plan, "short_rest") == ["/sessions/0/exercises/0/sets/0"]
    assert not warnings([one(rest=30), one(at=(0, 0, 1), cut=True)], "short_rest")


def test_five_mistakes_of_a_kind_list_five_pointers_in_the_plans_order() -> None:
    """Two in one session, three in another: one warning, all five sets."""
    plan = [
        *series("barbell_bench_press", 0, 2, 0),
        *series("barbell_bench_press", 0, 0, 0, session=1, hours=72),
    ]
    assert list(the(plan, UNDER_BAR).pointers) == [
        "/sessions/0/exercises/0/sets/0",
        "/sessions/0/exercises/0/sets/2",
        "/sessions/1/exercises/0/sets/0",
        "/sessions/1/exercises/0/sets/1",
        "/sessions/1/exercises/0/sets/2",
    ]


def test_five_different_mistakes_are_five_warnings_worst_first() -> None:
    """One set each, and the count of the week last."""
    plan = [
        *series("barbell_bench_press", 0),
        *series("leg_press", 1, place=1, exposures=0),
        *series("push_up", 5, place=2, reps=20),
        *series("leg_extension", 2, 2, place=3, rest=20),
    ]
    assert [warning.code for warning in audited(plan)] == [
        UNDER_BAR,
        NEW,
        EARLY,
        LIGHT,
        "short_rest",
        "weekly_volume",
    ]


def test_a_sound_plan_hears_nothing_but_its_volume() -> None:
    """Three days a week at 1-2 in reserve with two minutes of rest."""
    plan = [
        placed
        for session in range(6)
        for place, exercise in enumerate(("leg_press", "push_up"))
        for placed in series(
            exercise,
            2,
            1.5,
            session=session,
            place=place,
            hours=(session % 3 * 48 + session // 3 * 168),
            rest=120,
        )
    ]
    assert {warning.code for warning in audited(plan)} == {"weekly_volume"}


def test_an_empty_plan_and_one_wholly_withheld_hear_nothing() -> None:
    """Nothing is trained."""
    assert audited([]) == ()
    assert audited(series("leg_press", None, None)) == ()

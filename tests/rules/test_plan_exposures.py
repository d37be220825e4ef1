"""Exposures as a plan goes on: told or left out, counted up session by session, lost by absence."""

import pytest
from hypothesis import settings

from service.rules.plans.answer import PrescribedPlan
from tests.rules.contexts import Document, brisk
from tests.rules.whole_plans import (
    answer,
    contexts,
    factors,
    placed,
    session,
    sets_of,
)

DAYS = 24.0
few = settings(brisk, max_examples=25)


def exposures(found: PrescribedPlan) -> list[float | None]:
    """Return the exposures every set is prescribed with [sessions]."""
    return [context.exposures for context in contexts(found)]


def weekly(*sets: Document, told: dict[str, float] | None, every_days: float = 4.0) -> PrescribedPlan:
    """Return the answer to sessions of these exercises, one after the other, of a lifter with these exposures."""
    days = [session(one, hours=at * every_days * DAYS) for at, one in enumerate(sets)]
    return answer({"lifter": {"exposures": told}, "sessions": days})


LEGS = sets_of("leg_press", 1)


def test_an_exercise_missing_in_what_is_told_is_new_and_counts_up_session_by_session() -> None:
    """0, 1, 2, 3, then accustomed: 4 is as much as protects."""
    found = weekly(*[LEGS] * 6, told={})
    assert exposures(found) == [0.0, 1.0, 2.0, 3.0, 4.0, 4.0]
    assert [factors(one).get("exposures", 0.0) for one in placed(found).values()] == [
        1.0,
        0.5,
        0.375,
        0.25,
        0.0,
        0.0,
    ]


@pytest.mark.parametrize(
    ("told", "expected"), [(0.5, [0.5, 1.5, 2.5]), (3, [3.0, 4.0, 4.0]), (9999, [4.0] * 3)]
)
def test_what_is_told_of_an_exercise_is_where_it_starts(told: float, expected: list[float]) -> None:
    """Fractions too."""
    assert exposures(weekly(*[LEGS] * 3, told={"leg_press": told})) == expected


def test_easy_sessions_count_a_quarter() -> None:
    """Five or more in reserve in every set (Chen 2010); one harder set makes a whole session."""
    easy = sets_of("leg_press", 2, reps_in_reserve=5)
    mixed: Document = {**easy, "sets": [easy["sets"][0], {**easy["sets"][0], "reps_in_reserve": 4.9}]}
    found = weekly(easy, easy, mixed, LEGS, told={})
    assert exposures(found) == [0.0, 0.0, 0.25, 0.25, 0.5, 0.5, 1.5]


def test_a_session_counts_once_however_often_the_exercise_comes_in_it() -> None:
    """The one under way is not an earlier one: second sets and a second place see the same as the first."""
    day = (sets_of("leg_press", 3), sets_of("leg_extension", 1), sets_of("leg_press", 2))
    found = answer({"lifter": {"exposures": {}}, "sessions": [session(*day), session(LEGS, hours=96)]})
    assert exposures(found) == [0.0] * 6 + [1.0]


def test_sessions_within_six_hours_are_one_exposure() -> None:
    """As in a history: what is closer together belongs to one session."""
    days = [session(LEGS, hours=hours) for hours in (0, 6, 30)]
    assert exposures(answer({"lifter": {"exposures": {}}, "sessions": days})) == [0.0, 0.0, 1.0]


def test_absence_within_a_plan_takes_exposures_away() -> None:
    """Full to 56 days, half at 84, none from 182 (accustoming of the policy)."""
    for days, left in ((56, 1.0), (84, 0.5), (133, 0.25), (182, 0.0)):
        assert exposures(weekly(LEGS, LEGS, told={}, every_days=days)) == [0.0, left]


def test_nothing_told_is_accustomed_and_listed_as_assumed() -> None:
    """No number is made up: the context leaves it out, and the full prescription says what was taken."""
    days = [session(LEGS, hours=at * 96) for at in range(2)]
    found = answer({"sessions": days}, "full")
    assert exposures(found) == [None, None]
    for one in placed(found).values():
        assert {entry.field: entry.value for entry in one.prescription.assumptions}["exposures"] == 4


def test_nothing_told_and_a_long_absence_is_told() -> None:
    """Half a year on the lifter is new to it again, and the context must say so."""
    days = [session(LEGS, hours=at * 200 * DAYS) for at in range(2)]
    assert exposures(answer({"sessions": days})) == [None, 0.0]


def test_an_exercise_first_met_late_in_the_plan_starts_with_what_was_told() -> None:
    """Three sessions told are three in the third week too."""
    found = answer(
        {
            "lifter": {"exposures": {"leg_press": 3}},
            "sessions": [session(sets_of("leg_extension", 1)), session(LEGS, hours=14 * DAYS)],
        }
    )
    assert exposures(found) == [0.0, 3.0]


def test_without_a_history_likeness_counts_for_nothing() -> None:
    """Told members of the single call know nothing of it: the same holds for a plan."""
    days = [session(sets_of("dumbbell_bench_press", 1), hours=hours) for hours in (0, 96)]
    found = answer({"lifter": {"exposures": {"barbell_bench_press": 4}}, "sessions": days})
    assert exposures(found) == [0.0, 1.0]


def test_sets_that_are_withheld_teach_nothing() -> None:
    """Warning signs: nobody trains, so nothing was done before the next session."""
    days = [session(LEGS, hours=at * 24) for at in range(2)]
    found = answer({"lifter": {"exposures": {}, "cautions": ["warning_signs"]}, "sessions": days})
    assert exposures(found) == [0.0, 0.0]
    assert [one.prescription.decision for one in placed(found).values()] == ["withhold"] * 2
    assert [one.hours_since_muscle_trained for one in contexts(found)] == [None, None]
    assert found.carryover.as_prescribed.total_reps == 0

"""Hours between trainings of a muscle: across sessions, offsets, clock changes and years."""

from datetime import datetime, timedelta

import pytest
from hypothesis import given

from service.rules.plans.answer import PrescribedPlan
from service.rules.policy import Exercise
from tests.rules.contexts import POLICY, Document, brisk
from tests.rules.plans_at_will import documents
from tests.rules.whole_plans import answer, contexts, factors, placed, session, sets_of

PRESS = sets_of("machine_chest_press", 1)


def starting(*starts: str) -> PrescribedPlan:
    """Return the answer to a plan of one press a session, at these instants."""
    return answer({"sessions": [{"starts_at": start, "exercises": [PRESS]} for start in starts]})


def hours(found: PrescribedPlan) -> list[tuple[float | None, float | None]]:
    """Return hours since and until the same muscles are trained, of every set."""
    return [(one.hours_since_muscle_trained, one.hours_until_muscle_trained) for one in contexts(found)]


def recovery(found: PrescribedPlan) -> list[float]:
    """Return the effect of recovery on every set [repetitions]."""
    return [factors(one).get("recovery", 0.0) for one in placed(found).values()]


@pytest.mark.parametrize(
    ("gap", "effect"),
    [(12.0, 0.5), (35.9, 0.5), (36.0, 0.5), (42.0, 0.25), (47.0, 0.0625), (48.0, 0.0), (49.0, 0.0)],
)
def test_hours_between_sessions_count_both_ways_and_end_at_48(gap: float, effect: float) -> None:
    """Full below 36 h, exactly nothing at 48 h; before and after alike, once."""
    days = [session(PRESS, hours=at * gap) for at in range(3)]
    found = answer({"sessions": days})
    assert hours(found) == [(None, gap), (gap, gap), (gap, None)]
    assert recovery(found) == [effect] * 3


@pytest.mark.parametrize(
    ("start", "later", "gap", "effect"),
    [
        ("2027-03-27T18:00:00+01:00", "2027-03-29T18:00:00+02:00", 47.0, 0.0625),
        ("2027-10-30T18:00:00+02:00", "2027-11-01T18:00:00+01:00", 49.0, 0.0),
        ("2027-01-04T18:00:00+14:00", "2027-01-05T16:00:00-12:00", 48.0, 0.0),
        ("2026-12-31T18:00:00Z", "2027-01-02T00:00:00-06:00", 36.0, 0.5),
        ("2027-01-04T18:00:00.250Z", "2027-01-06T18:00:00.249999Z", 48.0, 0.0),
    ],
)
def test_hours_are_real_hours_whatever_the_clocks_say(
    start: str, later: str, gap: float, effect: float
) -> None:
    """Clocks go forward and back, a flight goes west, a year ends; a microsecond is within rounding."""
    found = starting(start, later)
    assert hours(found) == [(None, gap), (gap, None)]
    assert recovery(found) == [effect] * 2


def test_work_of_any_share_counts_as_training_a_muscle_that_a_set_trains_directly() -> None:
    """The press works the triceps a little: the pushdown feels it. The pushdown does nothing the press is judged by."""
    pushdown = sets_of("cable_triceps_pushdown", 1)
    pressed_first = answer({"sessions": [session(PRESS), session(pushdown, hours=24)]})
    assert hours(pressed_first) == [(None, None), (24.0, None)]
    pushed_first = answer({"sessions": [session(pushdown), session(PRESS, hours=24)]})
    assert hours(pushed_first) == [(None, 24.0), (None, None)]


def test_the_nearest_training_of_any_direct_muscle_counts_whatever_lies_between() -> None:
    """A leg day between two pressing days changes nothing for either."""
    legs = sets_of("leg_press", 1)
    days = [session(PRESS), session(legs, hours=24), session(PRESS, hours=30), session(legs, hours=40)]
    assert hours(answer({"sessions": days})) == [(None, 30.0), (None, 16.0), (30.0, None), (16.0, None)]


def test_two_sets_of_one_session_are_not_hours_apart() -> None:
    """The second exercise for the same muscle has its carry-over, not a recovery penalty."""
    found = answer({"sessions": [session(PRESS, sets_of("cable_chest_fly", 2))]})
    assert hours(found) == [(None, None)] * 3


def test_years_between_sessions_are_as_many_hours_as_can_be_sent() -> None:
    """10,000 h; more would be no valid context."""
    found = starting("2000-01-01T00:00:00Z", "2099-12-31T23:59:59Z")
    assert hours(found) == [(None, 10_000.0), (10_000.0, None)]


@brisk
@given(documents(limits=False))
def test_every_hour_is_that_to_the_nearest_session_that_trains_a_direct_muscle(document: Document) -> None:
    """Counted anew from starts and muscles alone."""
    days = [
        (
            datetime.fromisoformat(day["starts_at"]),
            [POLICY.data.exercises[each["exercise"]] for each in day["exercises"]],
        )
        for day in document["sessions"]
    ]

    def distance(one: Exercise, at: int, other: int) -> float | None:
        direct = {muscle for muscle, share in one.muscles.items() if share == 1}
        if any(direct & each.muscles.keys() for each in days[other][1]):
            return abs(days[other][0] - days[at][0]) / timedelta(hours=1)
        return None

    for (at, place, _), one in placed(answer(document)).items():
        exercise = days[at][1][place]
        since = [gap for other in range(at) if (gap := distance(exercise, at, other)) is not None]
        until = [
            gap for other in range(at + 1, len(days)) if (gap := distance(exercise, at, other)) is not None
        ]
        assert one.context_used.hours_since_muscle_trained == pytest.approx(
            min(since, default=None), abs=0.001
        )
        assert one.context_used.hours_until_muscle_trained == pytest.approx(
            min(until, default=None), abs=0.001
        )

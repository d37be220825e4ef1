"""What closeness to failure takes from later sets, set by set."""

from collections.abc import Callable
from math import fsum

import pytest
from hypothesis import given
from msgspec.structs import replace

from service.rules.carryover.predict import PlannedSet, predict
from service.rules.plans.allocate import allocate, cost_of
from tests.rules.allocations import budget, candidate
from tests.rules.contexts import steady
from tests.rules.planned_sets import NUMBERS, Plan, plans

PRESS = {"chest": 1.0, "triceps": 0.5, "front_deltoids": 0.5}
DAY = [
    *[("bench_press", PRESS)] * 3,
    *[("incline_press", PRESS)] * 3,
    *[("flye", {"chest": 1.0})] * 2,
    *[("lateral_raise", {"side_deltoids": 1.0})] * 2,
]


def day(reserve_at: Callable[[int], float | None] = lambda _: 2.0) -> Plan:
    """Return a pressing day, each set at the reserve of its place [repetitions]; None is failure."""
    return [
        PlannedSet(
            source=f"/sets/{place}",
            session_starts_at_seconds=0,
            muscles=muscles,
            rep_target=12,
            reps_in_reserve=reserve_at(place),
            capacity_reps=12,
            rest_seconds=120,
        )
        for place, (_, muscles) in enumerate(DAY)
    ]


def costs_of(plan: Plan) -> dict[int, float]:
    """Return the costs with the numbers on disk."""
    return cost_of(plan, predict(plan, NUMBERS))


def test_failure_on_the_first_press_costs_more_than_on_the_last_isolation_lift() -> None:
    """Nothing comes after the last set: it costs nothing within the session."""
    last = len(DAY) - 1
    found = costs_of(day(lambda place: None if place in {0, last} else 2.0))
    assert found[0] > 1
    assert found[last] == 0
    assert found[0] > max(found[place] for place in range(1, last))


def test_the_failure_set_that_stays_is_the_last_isolation_lift() -> None:
    """All at failure, room for one: the set with no overlap after it."""
    plan = day(lambda _: None)
    candidates = [
        candidate(place, muscles=plan[place].muscles, cost_reps=cost)
        for place, cost in costs_of(plan).items()
    ]
    assert allocate(candidates, {}, budget(per_session=1)).kept == {len(DAY) - 1}


def test_closer_to_failure_costs_more() -> None:
    """The same press at failure, at 1 and at 3 in reserve."""
    near, middle, far = (
        costs_of(day(lambda place, q=q: q if place == 0 else 2.0))[0] for q in (None, 1.0, 3.0)
    )
    assert near > middle > far > 0


@steady
@given(plans())
def test_costs_add_up_to_the_repetitions_that_are_missing(plan: Plan) -> None:
    """Over all sets, what earlier work took is what the plan completes less than it would fresh."""
    plan = [replace(planned, source=str(place)) for place, planned in enumerate(plan)]
    predicted = predict(plan, NUMBERS)
    missing = fsum(done.fresh_reps - done.predicted_reps for done in predicted if done.paid_by)
    found = cost_of(plan, predicted)
    assert all(cost >= 0 for cost in found.values())
    assert fsum(found.values()) == pytest.approx(missing, abs=1e-6)


def test_a_source_that_names_two_sets_is_refused() -> None:
    """Costs are per set, so each needs a source of its own."""
    plan = [replace(planned, source="/exercises/0") for planned in day()]
    with pytest.raises(ValueError, match="source"):
        cost_of(plan, predict(plan, NUMBERS))

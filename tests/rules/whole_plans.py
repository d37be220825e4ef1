"""Whole plans to test with, as documents the way they come in, and short ways to what is answered."""

import json
from collections.abc import Callable
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any, Literal

import msgspec
from msgspec.structs import replace

from service.policy.plan_basis import load_plan_basis
from service.rules.answer import Prescription
from service.rules.carryover.predict import PlannedSet
from service.rules.context import SetContext
from service.rules.learning.context import Profile
from service.rules.learning.fold import learn_all
from service.rules.learning.known import Known
from service.rules.learning.performed import PerformedSet, instant_of
from service.rules.plans.answer import AllocationAnswer, PrescribedPlan, PrescribedSet, Scenario
from service.rules.plans.moves import Settled, settle
from service.rules.plans.plan import Plan
from service.rules.plans.prescribe_plan import prescribe_plan
from service.rules.plans.schedule import schedule
from service.rules.plans.start import Start, stateless_start
from service.rules.plans.walk import Stand
from tests.rules.contexts import POLICY, Document
from tests.rules.lifters import at

BASIS = load_plan_basis(POLICY)
EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
CENTRAL_EUROPE = timezone(timedelta(hours=1))
MONDAY = datetime(2027, 1, 4, 18, tzinfo=CENTRAL_EUROPE)
FAILURE_BELOW = 0.5  # repetitions in reserve: a set that ends with less counts as failure (the contract)
TINY = 1e-6  # of answers given to three decimals, and of sums of them
Place = tuple[int, int, int]  # session, exercise, set, each from 0

# Pressing, pulling and leg lifts that share muscles, and some that share none.
PRESSES = ("barbell_bench_press", "machine_chest_press", "cable_chest_fly", "cable_triceps_pushdown")
PULLS = ("cable_seated_row", "cable_biceps_curl")
LEGS = ("barbell_back_squat", "leg_press", "leg_extension", "lying_leg_curl", "seated_calf_raise")
LIFTS = (*PRESSES, *PULLS, *LEGS, "dumbbell_lateral_raise")
# A lifter whose sets come to failure by themselves.
EAGER: Document = {"experience": "advanced"}


def instant(hours: float = 0.0, offset_hours: float = 1.0) -> str:
    """Return so long after a Monday evening, told in another offset."""
    zone = timezone(timedelta(hours=offset_hours))
    return (MONDAY + timedelta(hours=hours)).astimezone(zone).isoformat()


def work(exercise: str, *sets: Document, **shared: Any) -> Document:
    """Return an exercise of a session; each set holds `shared` and what it says itself."""
    return {"exercise": exercise, "sets": [{"rep_target": 10, **shared, **one} for one in sets]}


def sets_of(exercise: str, count: int, **shared: Any) -> Document:
    """Return an exercise with so many equal sets, of 10 repetitions unless told otherwise."""
    return work(exercise, *[{}] * count, **shared)


def session(*exercises: Document, hours: float = 0.0, **told: Any) -> Document:
    """Return a session so long after the first Monday evening."""
    return {"starts_at": instant(hours), "exercises": list(exercises), **told}


def plan_of(document: Document) -> Plan:
    """Return the document read the way a request is read."""
    return msgspec.convert(json.loads(json.dumps(document)), Plan, strict=True)


def answer(
    document: Document, detail: Literal["full", "brief"] = "brief", start: Start | None = None
) -> PrescribedPlan:
    """Return what is answered, to a lifter of whom only the plan tells unless a start is given."""
    plan = plan_of(document)
    return prescribe_plan(plan, start or stateless_start(plan), BASIS, detail)


def settled(document: Document, start: Start | None = None) -> Settled:
    """Return the plan after its limits, before it is told."""
    plan = plan_of(document)
    return settle(schedule(plan, BASIS), start or stateless_start(plan), plan.limits, BASIS)


def placed(found: PrescribedPlan) -> dict[Place, PrescribedSet]:
    """Return every set by its place."""
    return {
        (session, exercise, at): one
        for session, day in enumerate(found.sessions)
        for exercise, each in enumerate(day.exercises)
        for at, one in enumerate(each.sets)
    }


def pointer(place: Place) -> str:
    """Return the JSON Pointer of a set."""
    return "/sessions/{}/exercises/{}/sets/{}".format(*place)


def place_of(stand: Stand) -> Place:
    """Return where a set stands."""
    return stand.slot.session, stand.slot.exercise_at, stand.slot.set_at


def pointer_of(stand: Stand) -> str:
    """Return the JSON Pointer of a set."""
    return pointer(place_of(stand))


def allocation(document: Document, start: Start | None = None) -> AllocationAnswer:
    """Return what is told of a plan's limits."""
    found = settled(document, start).allocation
    assert found is not None
    return found


def planned(found: Settled, reserve_of: Callable[[Stand], float | None]) -> list[PlannedSet]:
    """Return the sets that are trained as carry-over takes them, each its own source."""
    return [
        PlannedSet(
            source=pointer(place_of(one.stand)),
            session_starts_at_seconds=one.stand.slot.starts_at.timestamp(),
            muscles=one.stand.slot.exercise.muscles,
            rep_target=one.stand.slot.told.rep_target,
            reps_in_reserve=reserve_of(one.stand),
            capacity_reps=one.capacity_reps,
            rest_seconds=one.stand.slot.told.rest_seconds,
        )
        for one in found.trained
    ]


def target(one: PrescribedSet) -> float:
    """Return the target of a set that has one [repetitions]."""
    return float(one.prescription.reps_in_reserve.target)


def targets(found: PrescribedPlan) -> dict[Place, float]:
    """Return the targets of all sets that have one and are not cut [repetitions]."""
    return {
        place: target(one)
        for place, one in placed(found).items()
        if one.prescription.reps_in_reserve is not None and not one.cut
    }


def contexts(found: PrescribedPlan) -> list[SetContext]:
    """Return the context of every set, in order."""
    return [one.context_used for one in placed(found).values()]


def factors(one: PrescribedSet) -> dict[str, float]:
    """Return the effect of every reason of a set [repetitions]."""
    return {reason.factor: reason.effect_reps for reason in one.prescription.reasons}


def paid(scenario: Scenario) -> dict[tuple[int, int], float]:
    """Return what exercises of a one-session plan pay for each other [repetitions], by the one that costs and pays."""
    return {
        (int(entry.from_exercise.split("/")[4]), int(entry.to_exercise.split("/")[4])): entry.reps_lost
        for entry in scenario.paid_by
    }


def encoded(found: PrescribedPlan | Prescription) -> bytes:
    """Return an answer as it goes over the wire."""
    return msgspec.json.encode(found)


def history(*sets: PerformedSet, before: Document, days: float = 0.0) -> tuple[Profile, Known]:
    """Return an empty profile, and what sets logged from `lifters.START` on teach by a plan's first session.

    The log is moved in time so that `lifters.at(7)` is `days` before that session.
    """
    first = instant_of(before["sessions"][0]["starts_at"]) - timedelta(days=days)
    moved = [
        replace(one, performed_at=(instant_of(one.performed_at) + (first - at(7))).isoformat())
        for one in sets
    ]
    return Profile(), learn_all(moved, POLICY, BASIS.learning)

"""Whole plans to test with, as documents the way they come in, and short ways to what is answered."""

import json
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any, Literal

import msgspec
from hypothesis import strategies as st
from msgspec.structs import replace

from service.policy.plan_basis import load_plan_basis
from service.rules.answer import Prescription
from service.rules.context import SetContext
from service.rules.learning.context import Profile
from service.rules.learning.fold import learn_all
from service.rules.learning.known import Known
from service.rules.learning.performed import PerformedSet, instant_of
from service.rules.plans.answer import PrescribedPlan, PrescribedSet, Scenario
from service.rules.plans.moves import Settled, settle
from service.rules.plans.plan import Plan
from service.rules.plans.prescribe_plan import prescribe_plan
from service.rules.plans.schedule import schedule
from service.rules.plans.start import Start, stateless_start
from tests.rules.contexts import CAUTIONS, EXPERIENCES, GOALS, POLICY, Document
from tests.rules.lifters import at

BASIS = load_plan_basis(POLICY)
EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
CENTRAL_EUROPE = timezone(timedelta(hours=1))
MONDAY = datetime(2027, 1, 4, 18, tzinfo=CENTRAL_EUROPE)
TINY = 1e-6  # of answers given to three decimals, and of sums of them
Place = tuple[int, int, int]  # session, exercise, set, each from 0

# Pressing, pulling and leg lifts that share muscles, and some that share none.
PRESSES = ("barbell_bench_press", "machine_chest_press", "cable_chest_fly", "cable_triceps_pushdown")
PULLS = ("cable_seated_row", "cable_biceps_curl")
LEGS = ("barbell_back_squat", "leg_press", "leg_extension", "lying_leg_curl", "seated_calf_raise")
LIFTS = (*PRESSES, *PULLS, *LEGS, "dumbbell_lateral_raise")


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
        replace(one, performed_at=(instant_of(one.performed_at) + (first - at(7))).isoformat()) for one in sets
    ]
    return Profile(), learn_all(moved, POLICY, BASIS.learning)


# --- plans at will -------------------------------------------------------------------------------------------------

GAPS = (5.0, 24.0, 36.0, 47.5, 48.0, 72.0, 168.0, 400.0)
OFFSETS = (-12.0, -5.0, 0.0, 1.0, 2.0, 5.5, 14.0)


@st.composite
def sets_at_will(draw: st.DrawFn, *, proposals: bool = True) -> Document:
    """One set, with load, rest and proposal left out or sent."""
    one: Document = {"rep_target": draw(st.sampled_from((1, 5, 8, 10, 12, 15, 20, 50)))}
    for name, values in {
        "load_percent_1rm": st.sampled_from((30.0, 62.0, 70.0, 80.0, 95.0, 100.0)),
        "rest_seconds": st.sampled_from((0.0, 60.0, 120.0, 300.0)),
        "reps_in_reserve": st.sampled_from((0.0, 0.4, 0.5, 1.0, 3.0, 6.0, 10.0)),
    }.items():
        if draw(st.booleans()) and (proposals or name != "reps_in_reserve"):
            one[name] = draw(values)
    return one


@st.composite
def exercises_at_will(draw: st.DrawFn, lifts: tuple[str, ...] = LIFTS, *, proposals: bool = True) -> Document:
    """One exercise with up to four sets, alike or each at will."""
    each = sets_at_will(proposals=proposals)
    alike = draw(st.booleans())
    count = draw(st.integers(1, 4))
    sets = [draw(each)] * count if alike else [draw(each) for _ in range(count)]
    return {"exercise": draw(st.sampled_from(lifts)), "sets": sets}


@st.composite
def lifters_at_will(draw: st.DrawFn) -> Document:
    """What a plan may tell of its lifter; never that the target is withheld."""
    return draw(
        st.fixed_dictionaries(
            {},
            optional={
                "experience": st.sampled_from(EXPERIENCES),
                "goal": st.sampled_from((*GOALS, "hypertrophy", "hypertrophy")),
                "cautions": st.lists(st.sampled_from(CAUTIONS), unique=True, max_size=1),
                "exposures": st.dictionaries(
                    st.sampled_from(LIFTS), st.sampled_from((0, 0.5, 1, 3, 4, 20)), max_size=6
                ),
                "spotter": st.booleans(),
                "safety_arms": st.booleans(),
            },
        )
    )


@st.composite
def progressions_at_will(draw: st.DrawFn) -> Document:
    """A block's shifts and deload weeks."""
    shifts = st.sampled_from((-3.0, -1.5, -0.3, 0.0, 1.0, 3.0))
    return {
        "weeks": draw(st.integers(1, 5)),
        "start_shift_reps": draw(shifts),
        "end_shift_reps": draw(shifts),
        "deload_weeks": draw(st.lists(st.integers(1, 5), unique=True, max_size=2)),
    }


limits_at_will = st.fixed_dictionaries(
    {},
    optional={
        "failure_share_per_muscle_7d": st.sampled_from((0.0, 0.25, 1 / 3, 0.5, 0.7, 1.0)),
        "failure_sets_per_session": st.integers(0, 4),
    },
)


@st.composite
def documents(
    draw: st.DrawFn,
    *,
    limits: bool = True,
    progression: bool = True,
    proposals: bool = True,
    lifts: tuple[str, ...] = LIFTS,
    most_sessions: int = 4,
) -> Document:
    """A plan of up to four sessions over days or weeks, members left out or sent."""
    hours, offset = 0.0, draw(st.sampled_from(OFFSETS))
    sessions = []
    each = exercises_at_will(lifts, proposals=proposals)
    for _ in range(draw(st.integers(1, most_sessions))):
        day: Document = {"starts_at": instant(hours, offset), "exercises": draw(st.lists(each, min_size=1, max_size=4))}
        if draw(st.booleans()):
            day["deload"] = draw(st.sampled_from((None, False, True)))
        sessions.append(day)
        hours += draw(st.sampled_from(GAPS))
        offset = draw(st.sampled_from((offset, *OFFSETS)))
    document: Document = {"sessions": sessions}
    if draw(st.booleans()):
        document["lifter"] = draw(lifters_at_will())
    if progression and draw(st.booleans()):
        document["progression"] = draw(progressions_at_will())
    if limits and draw(st.booleans()):
        document["limits"] = draw(limits_at_will)
    return document


# A lifter and lifts that go to failure by themselves, so that limits have something to do.
EAGER: Document = {"experience": "advanced"}
CLOSE_LIFTS = ("cable_chest_fly", "machine_chest_press", "cable_triceps_pushdown", "leg_extension", "leg_press")


@st.composite
def eager_documents(draw: st.DrawFn, *, most_sessions: int = 3) -> Document:
    """A plan of which many sets come to failure without limits."""
    hours, sessions = 0.0, []
    for _ in range(draw(st.integers(1, most_sessions))):
        exercises = [
            sets_of(
                draw(st.sampled_from(CLOSE_LIFTS)),
                draw(st.integers(1, 3)),
                rep_target=draw(st.sampled_from((8, 12, 15, 20))),
                load_percent_1rm=draw(st.sampled_from((50, 62, 72))),
                rest_seconds=draw(st.sampled_from((60, 120))),
            )
            for _ in range(draw(st.integers(1, 4)))
        ]
        sessions.append(session(*exercises, hours=hours))
        hours += draw(st.sampled_from((24.0, 48.0, 60.0, 72.0)))
    return {"lifter": EAGER, "sessions": sessions, "limits": draw(limits_at_will)}

"""Sets in their places to audit: a plain set, a block of equal weeks, plans at will, and what the audit says."""

from datetime import datetime, timedelta, timezone
from typing import Any

from hypothesis import strategies as st

from service.policy.plan_numbers import load_plan_numbers
from service.rules.context import SetContext
from service.rules.plans.audit import PlanWarning, audit
from service.rules.plans.placed import Placed
from service.rules.plans.plan import PlanSet
from service.rules.prescribe import prescribe_brief
from tests.rules.contexts import CAUTIONS, EXERCISES, GOALS, POLICY

NUMBERS = load_plan_numbers(POLICY)
CENTRAL_EUROPE = timezone(timedelta(hours=1))
MONDAY = datetime(2027, 1, 4, 18, tzinfo=CENTRAL_EUROPE)
WEEK_HOURS = 168.0
Plan = list[Placed]
Told = dict[str, Any]


def one(
    exercise: str = "leg_press",
    reserve: float | None = 2.0,
    *,
    at: tuple[int, int, int] = (0, 0, 0),
    hours: float = 0.0,
    reps: int = 8,
    load: float | None = None,
    rest: float | None = None,
    cut: bool = False,
    deload: bool = False,
    starts_at: datetime | None = None,
    **told: Any,
) -> Placed:
    """Return a set of 8 repetitions of the leg press at 2 in reserve, with changes.

    `at` is (session, exercise, set) from 0; `hours` is the session's start after a Monday's evening; `told` goes to the
    set's context.
    """
    start = starts_at or MONDAY + timedelta(hours=hours)
    context = SetContext(
        rep_target=reps,
        load_percent_1rm=load,
        exercise=exercise,
        deload=deload or None,
        **told,
    )
    prescription = prescribe_brief(context, POLICY)
    aim = prescription.reps_in_reserve
    return Placed(
        session=at[0],
        exercise_at=at[1],
        set_at=at[2],
        starts_at=start,
        week=(start.date().toordinal() - MONDAY.date().toordinal()) // 7 + 1,
        exercise=POLICY.data.exercises[exercise],
        told=PlanSet(rep_target=reps, load_percent_1rm=load, rest_seconds=rest, reps_in_reserve=reserve),
        context=context,
        prescription=prescription,
        target_reps=None if aim is None else aim.target,
        reserve_reps=reserve,
        deload=deload,
        cut=cut,
    )


def series(exercise: str, *reserves: float | None, session: int = 0, place: int = 0, **changes: Any) -> Plan:
    """Return the sets of one exercise of a session, one for each reserve [repetitions]."""
    return [one(exercise, reserve, at=(session, place, n), **changes) for n, reserve in enumerate(reserves)]


def block(weeks: tuple[int, ...], *reserves: float | None, exercise: str = "leg_press") -> Plan:
    """Return one session a week of one exercise, in the weeks named (1 = the first)."""
    return [
        placed
        for session, week in enumerate(weeks)
        for placed in series(exercise, *reserves, session=session, hours=(week - 1) * WEEK_HOURS)
    ]


def audited(sets: Plan, share_limit: float | None = None) -> tuple[PlanWarning, ...]:
    """Return the audit with the numbers on disk."""
    return audit(sets, NUMBERS, share_limit)


def warnings(sets: Plan, code: str, share_limit: float | None = None) -> list[PlanWarning]:
    """Return the warnings of one code."""
    return [warning for warning in audited(sets, share_limit) if warning.code == code]


def the(sets: Plan, code: str, share_limit: float | None = None) -> PlanWarning:
    """Return the only warning of one code."""
    (found,) = warnings(sets, code, share_limit)
    return found


def pointers(sets: Plan, code: str) -> list[str]:
    """Return where the warnings of one code point, all together."""
    return [pointer for warning in warnings(sets, code) for pointer in warning.pointers]


# What a plan's sets are like: next to failure, far from it, or at will with the edges of every rule.
MOODS: tuple[st.SearchStrategy[float | None], ...] = (
    st.sampled_from((0.0, 0.0, 0.49, 0.5)),
    st.floats(4.01, 10),
    st.none() | st.sampled_from((0.0, 0.49, 0.5, 1.0, 1.99, 2.0, 2.01, 4.0, 5.0)) | st.floats(0, 10),
)
ALIKE = (
    "barbell_bench_press",
    "push_up",
    "cable_triceps_pushdown",
    "barbell_back_squat",
    "leg_press",
    "leg_extension",
)
RHYTHMS = (st.sampled_from((0.0, 24.0, 35.9, 36.0, 72.0, WEEK_HOURS)), st.just(WEEK_HOURS))


@st.composite
def sets_told(draw: st.DrawFn, reserves: st.SearchStrategy[float | None]) -> Told:
    """What one set of a plan may hold."""
    return {
        "reserve": draw(reserves),
        "reps": draw(st.sampled_from((1, 5, 8, 12, 13, 20, 50))),
        "load": draw(st.sampled_from((None, 30.0, 50.0, 50.5, 80.0))),
        "rest": draw(st.sampled_from((None, 0.0, 59.9, 60.0, 120.0))),
        "cut": draw(st.sampled_from((False, False, False, True))),
    }


@st.composite
def exercises_told(draw: st.DrawFn, reserves: st.SearchStrategy[float | None]) -> tuple[Told, list[Told]]:
    """What one exercise of a session may be, and its sets."""
    shared: Told = {
        "exercise": draw(st.sampled_from(ALIKE) | st.sampled_from(EXERCISES)),
        "exposures": draw(st.sampled_from((None, 0.0, 0.99, 1.0, 5.0))),
        "spotter": draw(st.sampled_from((None, False, True))),
    }
    return shared, draw(st.lists(sets_told(reserves), min_size=1, max_size=3))


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    """Up to six sessions over days or weeks, by turns of one or two kinds, all that a context holds at will."""
    plan: Plan = []
    reserves, gaps = draw(st.sampled_from(MOODS)), draw(st.sampled_from(RHYTHMS))
    shared: Told = {
        "goal": draw(st.sampled_from((None, *GOALS))),
        "cautions": draw(st.sampled_from(((), (), CAUTIONS[:1]))),
    }
    kind = st.lists(exercises_told(reserves), min_size=1, max_size=3)
    kinds = draw(st.lists(kind, min_size=1, max_size=2))
    hours = 0.0
    for session in range(draw(st.sampled_from((1, 2, 4, 6)))):
        hours += draw(gaps)
        deload = draw(st.sampled_from((False, False, False, True)))
        for place, (exercise, told) in enumerate(kinds[session % len(kinds)]):
            plan += [
                one(at=(session, place, n), hours=hours, deload=deload, **shared, **exercise, **a)
                for n, a in enumerate(told)
            ]
    return plan

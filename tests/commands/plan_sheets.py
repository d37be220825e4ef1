"""Plans to print, their answers, and sheets of them; answers that no plan gives are made by hand from real ones."""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
from msgspec import structs

from service.cli.sheet import Printing, SetGroup, Sheet, SheetSet
from service.cli.sheet_of_plan import sheet_of
from service.cli.sheet_texts import sheet_texts
from service.policy.catalogue import load_policies
from service.policy.plan_basis import load_plan_basis
from service.rules.compiled import Policy, compile_policy
from service.rules.plans.answer import PrescribedPlan, PrescribedSet
from service.rules.plans.basis import PlanBasis
from service.rules.plans.plan import Plan
from service.rules.plans.prescribe_plan import prescribe_plan
from service.rules.plans.start import stateless_start

EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
TEXTS = sheet_texts()
NAMES = ("pressing-day", "leg-day", "full-body-day", "four-week-block")
NOBODY: Mapping[str, float] = {}
Members = dict[str, Any]


@cache
def basis() -> PlanBasis:
    """Return the numbers in force."""
    return load_plan_basis(load_policies().newest)


def example(name: str) -> Path:
    """Return the file of a golden plan."""
    return EXAMPLES / f"createPlanPrescription.{name}.request.json"


@cache
def golden(name: str) -> tuple[Plan, PrescribedPlan]:
    """Return a golden plan and its answer."""
    plan = msgspec.json.decode(example(name).read_bytes(), type=Plan)
    return plan, answered(plan)


def answered(plan: Plan) -> PrescribedPlan:
    """Return the plan's full answer."""
    return prescribe_plan(plan, stateless_start(plan), basis(), "full")


def exercise(name: str, sets: int, **members: Any) -> Members:
    """Return an exercise with so many sets alike: 10 reps at 70 % and 2 minutes unless told otherwise."""
    told = {"rep_target": 10, "load_percent_1rm": 70, "rest_seconds": 120, **members}
    return {"exercise": name, "sets": [told] * sets}


def plan_of(*days: Sequence[Members], **members: Any) -> Plan:
    """Return a plan with a session of these exercises every other day."""
    sessions = [
        {"starts_at": f"2027-01-{4 + 2 * place:02}T18:00:00+01:00", "exercises": list(day)}
        for place, day in enumerate(days)
    ]
    return msgspec.json.decode(json.dumps({"sessions": sessions, **members}), type=Plan)


def printing(policy: Policy | None = None, one_rep_max_kg: Mapping[str, float] = NOBODY) -> Printing:
    """Return what sheets are made with."""
    return Printing(policy=policy or basis().policy, texts=TEXTS, one_rep_max_kg=one_rep_max_kg)


def sheet(plan: Plan, answer: PrescribedPlan | None = None, **one_rep_max_kg: float) -> Sheet:
    """Return the sheet of a plan, of its own answer unless another is told."""
    return sheet_of(plan, answer or answered(plan), printing(one_rep_max_kg=one_rep_max_kg))


def golden_sheet(name: str) -> Sheet:
    """Return the sheet of a golden plan."""
    return sheet(*golden(name))


def groups(told: Sheet) -> Iterator[SetGroup]:
    """Yield the groups of sets of a sheet."""
    for session in told.sessions:
        for each in session.exercises:
            yield from each.groups


def sets(told: Sheet) -> Iterator[SheetSet]:
    """Yield the sets of a sheet."""
    for group in groups(told):
        yield from group.sets


def pointers(plan: Plan) -> list[str]:
    """Return the JSON Pointers of a plan's sets."""
    return [
        f"/sessions/{session_at}/exercises/{exercise_at}/sets/{set_at}"
        for session_at, session in enumerate(plan.sessions)
        for exercise_at, each in enumerate(session.exercises)
        for set_at in range(len(each.sets))
    ]


def with_sets(
    answer: PrescribedPlan, change: Callable[[int, PrescribedSet], PrescribedSet]
) -> PrescribedPlan:
    """Return an answer with each set changed, told its number from 0 over the whole plan."""
    numbers = iter(range(10_000))
    sessions = tuple(
        structs.replace(
            session,
            exercises=tuple(
                structs.replace(one, sets=tuple(change(next(numbers), each) for each in one.sets))
                for one in session.exercises
            ),
        )
        for session in answer.sessions
    )
    return structs.replace(answer, sessions=sessions)


def withheld(plan: Plan) -> PrescribedPlan:
    """Return what the plan is answered when its lifter has warning signs."""
    lifter = msgspec.convert(
        {"cautions": ["warning_signs", "age_65_or_over"]}, type(plan).__annotations__["lifter"]
    )
    return answered(structs.replace(plan, lifter=lifter))


def renamed(name: str, of: str = "leg_press") -> Policy:
    """Return the policy in force with an exercise called otherwise."""
    data = basis().policy.data
    exercises = {**data.exercises, of: structs.replace(data.exercises[of], name=name)}
    return compile_policy(structs.replace(data, exercises=exercises))

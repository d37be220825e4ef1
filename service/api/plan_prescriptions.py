"""Plans: every set of a session, a week or a block prescribed in one call, for a told lifter or one with a history."""

import asyncio
from typing import Annotated, Any

from litestar import Request, Response, post
from litestar.params import JSONBody, QueryParameter
from msgspec.structs import replace

from service.api.answers import answer
from service.api.clock import now
from service.api.keyring import principal_of
from service.api.languages import SPEAKS, SPOKEN_HEADERS, spoken_by
from service.api.learned import Wanted, acquaint
from service.api.lifter_prescriptions import told_profile
from service.api.lifters import LIFTER_PATH, LifterId
from service.api.prescriptions import DETAIL, Detail, DetailParameter, pinned_policy
from service.api.whole_faults import plan_faults
from service.rules.compiled import Policy
from service.rules.learning.basis import Basis
from service.rules.learning.known import micros_of
from service.rules.learning.performed import instant_of
from service.rules.learning.view import like_exercises
from service.rules.plans.answer import PrescribedPlan
from service.rules.plans.plan import Plan
from service.rules.plans.prescribe_plan import prescribe_plan
from service.rules.plans.start import Start, start_from_history, stateless_start


def _sets(plan: Plan) -> int:
    return sum(len(each.sets) for session in plan.sessions for each in session.exercises)


async def _prescribed(
    request: Request[Any, Any, Any], plan: Plan, start: Start, detail: Detail
) -> Response[PrescribedPlan]:
    """Prescribe in a thread, one plan at a time: thousands of sets take a second, and others are not to wait."""
    state, spoken = request.app.state, spoken_by(request)
    policy = pinned_policy(plan.policy, spoken.policies)
    basis = replace(state.plan_basis, policy=policy, plans=spoken.plans)
    async with state.one_plan:
        found = await asyncio.to_thread(prescribe_plan, plan, start, basis, detail)
    for each in (each for session in found.sessions for each in session.exercises):
        for one in each.sets:
            state.metrics.prescribed(one.prescription.decision, detail)
    return answer(request, found, headers=spoken.headers)


@post(
    "/v1/plan-prescriptions",
    operation_id="createPlanPrescription",
    summary="Prescribe a plan",
    tags=["Prescriptions"],
    status_code=200,
    scopes=("prescribe",),
    body=Plan,
    rules=plan_faults,
    rules_always=True,
    cost=_sets,
    query=DETAIL,
    headers=SPEAKS,
    answer_headers=SPOKEN_HEADERS,
)
async def create_plan_prescription(
    request: Request[Any, Any, Any], data: JSONBody[Plan], detail: DetailParameter = "full"
) -> Response[PrescribedPlan]:
    """Reps in reserve for every set of a session, a week or a block, with what going closer costs later, and an audit.

    Order, later sets of the same muscles, hours between trainings, exposures, failure share, progression and deloads
    are worked out from the plan. Each set's `context_used` sent to /v1/prescriptions gives the identical prescription.
    """
    return await _prescribed(request, data, stateless_start(data), detail)


def _wanted(plan: Plan, policy: Policy) -> Wanted:
    """Return the rows a plan asks for: its exercises, those alike, their muscles."""
    named = {each.exercise for session in plan.sessions for each in session.exercises}
    alike = {other for name in named for other in like_exercises(name, policy)}
    muscles = {muscle for name in named for muscle in policy.data.exercises[name].muscles}
    return Wanted(exercises=named | alike, muscles=muscles)


@post(
    "/v1/lifters/{lifter_id:str}/plan-prescriptions",
    operation_id="createLifterPlanPrescription",
    summary="Prescribe a plan of a lifter",
    tags=["Prescriptions"],
    status_code=200,
    scopes=("prescribe", "history:read"),
    body=Plan,
    rules=plan_faults,
    rules_always=True,
    cost=_sets,
    path_rules=LIFTER_PATH,
    query=DETAIL,
    headers=SPEAKS,
    answer_headers=SPOKEN_HEADERS,
    never_missing=True,
)
async def create_lifter_plan_prescription(
    request: Request[Any, Any, Any],
    lifter_id: LifterId,
    data: JSONBody[Plan],
    detail: Annotated[Detail, QueryParameter()] = "full",
) -> Response[PrescribedPlan]:
    """As for a told lifter, but profile and history say how the plan starts; what the plan tells stands.

    The history counts up to the first session. An unknown lifter is a cold start.
    """
    state, reach = request.app.state, principal_of(request).reach
    basis: Basis = state.basis
    first = micros_of(instant_of(data.sessions[0].starts_at))
    wanted = _wanted(data, basis.policy)
    found = await acquaint(state.store, reach, lifter_id, wanted, basis, now=now(), at=first)
    start = start_from_history(data, told_profile(found), found.known)
    return await _prescribed(request, data, start, detail)

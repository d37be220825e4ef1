"""Prescriptions that know the lifter: the app sends what it knows of the set, history fills the rest."""

from functools import partial
from typing import Annotated, Any

from litestar import Request, Response, post
from litestar.params import JSONBody, QueryParameter
from msgspec import UNSET, Meta, UnsetType
from msgspec.structs import asdict

from service.api.admission import one_of
from service.api.answers import answer
from service.api.clock import now
from service.api.keyring import principal_of
from service.api.languages import SPEAKS, SPOKEN_HEADERS, spoken_by
from service.api.learned import Acquainted, Wanted, acquaint
from service.api.lifters import LIFTER_PATH, LifterId
from service.api.prescriptions import DETAIL, Detail, pinned_policy, prescribed
from service.api.whole_faults import context_faults
from service.errors import StorageUnavailable
from service.pictures.prescription import draw_prescription
from service.rules.answer import BriefPrescription, Prescription
from service.rules.context import SetContext
from service.rules.estimates import LoadEstimate
from service.rules.learning.basis import Basis
from service.rules.learning.context import Filled, LifterSetContext, Profile, fill, needed
from service.rules.learning.known import micros_of
from service.rules.learning.performed import instant_of
from service.storage.tenancy import Reach

ContextUsed = Annotated[
    SetContext,
    Meta(
        description="What the prescription was computed from. Sent to /v1/prescriptions it gives the identical one."
    ),
]
SuggestedLoad = Annotated[
    LoadEstimate | UnsetType | None,
    Meta(
        description="With `suggest_load=true`: load for the rep target at the reserve prescribed; null until a 1RM of "
        "the exercise was learned."
    ),
]
SUGGEST_LOAD = {
    "suggest_load": one_of(
        "true", "false", default="false", description="`true` adds `suggested_load` to the answer."
    )
}


class LifterPrescription(Prescription, frozen=True, kw_only=True):
    """How close to failure one set of this lifter should be taken, why, and what was known."""

    context_used: ContextUsed
    suggested_load: SuggestedLoad = UNSET


class LifterBriefPrescription(BriefPrescription, frozen=True, kw_only=True):
    """What an app shows on every set (`detail=brief`), and what was known."""

    context_used: ContextUsed
    suggested_load: SuggestedLoad = UNSET


LifterPrescribed = LifterPrescription | LifterBriefPrescription


def told_profile(acquainted: Acquainted) -> Profile:
    """Return what was told about the lifter; empty when unknown."""
    row = acquainted.lifter
    if row is None:
        return Profile()
    return Profile(experience=row.experience, goal=row.goal, cautions=row.cautions)


async def filled_context(state: Any, reach: Reach, lifter_id: str, data: LifterSetContext) -> Filled:
    """Return what is asked with what history knows filled in.

    Expects `data` to be valid. Raises StorageUnavailable.
    """
    basis: Basis = state.basis
    policy = pinned_policy(data.policy, state.policies)
    rows = needed(data, policy)
    wanted = Wanted(exercises=rows.exercises, muscles=rows.muscles)
    at = None if data.at is None else micros_of(instant_of(data.at))
    found = await acquaint(state.store, reach, lifter_id, wanted, basis, now=now(), at=at)
    return fill(data, told_profile(found), found.known, found.at, policy, basis.numbers)


@post(
    "/v1/lifters/{lifter_id:str}/prescriptions",
    operation_id="createLifterPrescription",
    summary="Prescribe one set of a lifter",
    tags=["Prescriptions"],
    status_code=200,
    scopes=("prescribe", "history:read"),
    body=LifterSetContext,
    rules=context_faults,
    rules_always=True,
    path_rules=LIFTER_PATH,
    query=DETAIL | SUGGEST_LOAD,
    headers=SPEAKS,
    answer_headers=SPOKEN_HEADERS,
    never_missing=True,
    picture=True,
)
async def create_lifter_prescription(
    request: Request[Any, Any, Any],
    lifter_id: LifterId,
    data: JSONBody[LifterSetContext],
    detail: Annotated[Detail, QueryParameter()] = "full",
) -> Response[LifterPrescribed]:
    """Reps in reserve [repetitions] for one set, with what history knows filled in; what is sent stands.

    History fills exposures, recovery, failure share, load in % of 1RM, and what the lifter should say. An unknown
    lifter is a cold start: neutral, as `assumptions` say. `at` before the newest set is answered from the sets up to
    it, which takes longer.
    """
    failed = request.scope.get("effort_failed")
    if isinstance(failed, StorageUnavailable):
        raise failed  # the shortcut has waited for the database long enough
    state = request.app.state
    filled = await filled_context(state, principal_of(request).reach, lifter_id, data)
    kind = LifterPrescription if detail == "full" else LifterBriefPrescription
    spoken = spoken_by(request)
    plain = prescribed(filled.context_used, detail, spoken.policies)
    load = filled.suggested_load if request.query_params.get("suggest_load") == "true" else UNSET
    state.metrics.prescribed(plain.decision, detail)
    told = kind(**asdict(plain), context_used=filled.context_used, suggested_load=load)
    picture = partial(draw_prescription, rep_target=data.rep_target)
    return answer(request, told, headers=spoken.headers, picture=picture)
